"""Nothing is said of what only happens: eleven days of backups, log rotation, an upgrade, a restart, a check, a scrub.
Twenty kinds of probes run, each with its own defaults.

And what is no such thing is said in the same days, so that the silence is not that of deaf probes.
"""

import os
from pathlib import Path

import pytest

from tests.support.quiet import HARMLESS, Quiet
from watchkeeper.privileged import commands
from watchkeeper.probes.host.kernel_messages import fault_of

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900), pytest.mark.untraced]

DAYS = 11


@pytest.fixture
def quiet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Quiet:
    """The host; this user counts as root, and one user of it need not be logged in."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    (tmp_path / "linger").mkdir()
    (tmp_path / "linger/root").touch()
    monkeypatch.setattr(commands, "LINGER", tmp_path / "linger")
    return Quiet(tmp_path / "host")


async def test_what_only_happens_is_not_reported(quiet: Quiet) -> None:
    """No message at all, and every probe could look at everything."""
    told = await quiet.live(DAYS)
    assert [message.headline for message in told] == []
    assert quiet.unseen == set()
    quiet.workers.close()


async def test_what_is_a_fault_is_reported_in_the_same_days(quiet: Quiet) -> None:
    """A service that crashes all night, a disk that becomes slow outside the backup, an error of a disk: each once."""
    host = quiet.host
    await quiet.live(4)
    for number in range(12):
        host.services["tide-log.service"].restarts = 4 * number
        host.journal.append((quiet.clock.now(), "critical medium error, dev sdb, sector 123456 op 0x0:(READ)"))
        for disk, (count, took_ms) in host.requests.items():
            host.requests[disk] = (count + 3000, took_ms + 3000 * (900.0 if disk == "nvme0n1" else 8.0))
        await quiet.live_steps(1)
    told = {message.key.subject for message in quiet.tray.new}
    assert told == {"unit tide-log.service", "disk sdb", "disk nvme0n1"}
    quiet.workers.close()


@pytest.mark.parametrize("text", HARMLESS)
def test_what_the_kernel_says_of_nothing(text: str) -> None:
    """None of it is a fault."""
    assert fault_of(text) is None
