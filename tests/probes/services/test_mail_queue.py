"""The queue of a local mail server, as Postfix 3.7 prints it: postqueue(1), section JSON OBJECT FORMAT."""

import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.probes.toolbox import FixedClock, Toolbox, utc
from watchkeeper.errors import PrivilegeMissing, ProbeError, ToolMissing
from watchkeeper.model.observation import Condition
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services.mail_queue import MailQueueProbe, MailQueueSettings

NOW = utc("2026-11-30 12:00:00")


def message(
    hours: float, queue: str = "deferred", reason: str = "connect to mail.example.org[192.0.2.1]:25: timed out"
) -> dict[str, Any]:
    """One message that has waited for so many hours."""
    recipient = (
        {"address": "warden@example.org", "delay_reason": reason} if reason else {"address": "warden@example.org"}
    )
    return {
        "queue_name": queue, "queue_id": "4fZ9Qk0Y7Rz1x", "arrival_time": int(NOW.timestamp() - hours * 3600),
        "message_size": 312, "forced_expire": False, "sender": "root@gannet", "recipients": [recipient],
    }  # fmt: skip


@pytest.fixture
def toolbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """Programs in place of the real ones."""
    return Toolbox(tmp_path, monkeypatch)


async def queue(bench: ProbeContext, toolbox: Toolbox, *messages: dict[str, Any], text: str = "") -> Condition:
    """What the probe says of a queue."""
    toolbox.says("postqueue", text or "".join(f"{json.dumps(each)}\n" for each in messages))
    (seen,) = await MailQueueProbe(MailQueueSettings(), replace(bench, clock=FixedClock(NOW))).observe()
    assert isinstance(seen, Condition)
    return seen


async def test_mail_that_does_not_leave(bench: ProbeContext, toolbox: Toolbox) -> None:
    """With its number and age and why the oldest waits; nobody's address is shown."""
    seen = await queue(bench, toolbox, message(1), message(30), message(5.5))
    assert not seen.ok
    assert seen.reason == "2 messages wait for longer than 4h, the oldest for 1d6h"
    assert dict(seen.facts) == {
        "waiting": "3",
        "oldest from": "2026-11-29 06:00 UTC",
        "why it waits": "connect to mail.example.org[192.0.2.1]:25: timed out",
    }
    assert "warden" not in repr(seen)


async def test_mail_that_waits_for_a_while(bench: ProbeContext, toolbox: Toolbox) -> None:
    """A retry within hours is usual; mail on hold waits for a person."""
    assert (await queue(bench, toolbox)).ok
    assert (await queue(bench, toolbox, message(3.9, reason=""), message(0, "active"), message(999, "hold"))).ok


@pytest.mark.parametrize(
    "text",
    [
        "x\n",
        "{}\n",
        "[]\n",
        '{"arrival_time": "soon"}\n',
        '{"queue_name": "deferred", "arrival_time": 1e999}\n',
        "\x00\n",
    ],
)
async def test_output_of_anything(bench: ProbeContext, toolbox: Toolbox, text: str) -> None:
    """What is no message is none."""
    assert (await queue(bench, toolbox, text=text)).facts == (("waiting", "0"),)


async def test_a_clock_that_was_set_back(bench: ProbeContext, toolbox: Toolbox) -> None:
    """A message from the future has no age."""
    seen = await queue(bench, toolbox, message(-100))
    assert seen.ok
    assert dict(seen.facts)["oldest from"] == "2026-11-30 12:00 UTC"


async def test_a_host_without_a_mail_server(
    bench: ProbeContext, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not installed, or not running."""
    toolbox.says("postqueue", "", status=69, stderr="postqueue: fatal: Queue report unavailable - mail system is down")
    with pytest.raises(ProbeError, match="mail system is down"):
        await MailQueueProbe(MailQueueSettings(), bench).observe()
    monkeypatch.setattr("watchkeeper.privileged.process.PATH", "/nowhere")
    with pytest.raises(ToolMissing, match="postqueue is not installed"):
        await MailQueueProbe(MailQueueSettings(), bench).observe()


async def test_without_the_helper(
    bench: ProbeContext, toolbox: Toolbox, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a shell the tool itself answers; where it may not, the missing helper is what to repair."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    probe = MailQueueProbe(MailQueueSettings(helper=tmp_path / "none.sock"), replace(bench, clock=FixedClock(NOW)))
    toolbox.says("postqueue", f"{json.dumps(message(30))}\n")
    (seen,) = await probe.observe()
    assert isinstance(seen, Condition)
    assert not seen.ok
    toolbox.says("postqueue", "", status=69, stderr="postqueue: fatal: inet_addr_local[getifaddrs]: getifaddrs")
    with pytest.raises(PrivilegeMissing, match="no helper listens"):
        await probe.observe()
    (toolbox.folder / "postqueue").unlink()
    with pytest.raises(ToolMissing, match="postqueue is not installed"):
        await probe.observe()
