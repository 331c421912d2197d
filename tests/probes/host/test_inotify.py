"""Watches against the kernel's limits: this machine through the list of root, and answers that are none."""

import os
from pathlib import Path

import pytest

from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Level
from watchkeeper.privileged import commands
from watchkeeper.privileged.commands import Result
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host.inotify import LIMITS, InotifyProbe, InotifySettings


@pytest.fixture
def answer(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """What the list prints; the daemon is root."""
    said: list[bytes] = []
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(commands, "collect", lambda _: [Result("python", Completed(0, each)) for each in said])
    return said


async def test_the_user_with_the_most(bench: ProbeContext, tmp_path: Path, answer: list[bytes]) -> None:
    """One user may have the most watches and another the most instances; an unknown user is a number."""
    (tmp_path / LIMITS).mkdir(parents=True)
    (tmp_path / LIMITS / "max_user_watches").write_text("8192\n")
    (tmp_path / LIMITS / "max_user_instances").write_text("128\n")
    answer.append(b'[{"user": 0, "watches": 10, "instances": 120, "program": "a"},'
                  b' {"user": 123456, "watches": 8000, "instances": 1, "program": ""}]')  # fmt: skip
    probe = InotifyProbe(InotifySettings(), bench, tmp_path)
    watches, instances = [each for each in await probe.observe() if isinstance(each, Level)]
    assert (watches.used, watches.capacity) == (8000, 8192)
    assert watches.facts == (("user", "123456"), ("program with the most", "has ended"))
    assert (instances.used, instances.capacity, instances.facts) == (120, 128, (("user", "root"),))
    answer[0] = b"[]"
    assert [each.used for each in await probe.observe() if isinstance(each, Level)] == [0, 0]
    for nonsense in (b"", b"{}", b'[{"user": 0}]', b'[{"user": 0, "watches": -1, "instances": 1}]'):
        answer[0] = nonsense
        with pytest.raises(ProbeError, match="install the same version of both"):
            await probe.observe()
    (tmp_path / LIMITS / "max_user_watches").write_text("")
    with pytest.raises(ProbeError, match="max_user_watches cannot be read"):
        await probe.observe()


async def test_this_machine(bench: ProbeContext) -> None:
    """The limits are the kernel's."""
    limits = [int((Path("/") / LIMITS / f"max_user_{each}").read_text()) for each in ("watches", "instances")]
    try:
        seen = await InotifyProbe(InotifySettings(), bench).observe()
    except ProbeError as error:
        assert "helper" in str(error), "only root can count them"  # noqa: PT017  it depends on who runs the test
        return
    assert [each.capacity for each in seen if isinstance(each, Level)] == limits
