"""The watch on the daemon's own process."""

import asyncio
import resource
import time
from pathlib import Path

import psutil
import pytest

from watchkeeper.core.observation import Condition, Level, Unit
from watchkeeper.probes import itself
from watchkeeper.probes.base import Bench
from watchkeeper.probes.itself import ItselfProbe, ItselfSettings


async def test_what_the_process_holds(bench: Bench) -> None:
    """Open files are what /proc shows, against the limit of the process; memory and threads are facts."""
    probe = ItselfProbe(ItselfSettings(), bench)
    held = len(list(Path("/proc/self/fd").iterdir())) - 1  # noqa: ASYNC240  without the one that lists; it blocks nobody
    loop, files = await probe.observe()
    await probe.close()
    assert isinstance(files, Level)
    assert files.unit is Unit.COUNT
    assert files.used == held
    assert files.capacity == resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    assert dict(files.facts)["threads"] == str(psutil.Process().num_threads())
    assert isinstance(loop, Condition)
    assert loop.sound


async def test_a_process_without_a_limit(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a limit of its own, the process meets the kernel's."""
    monkeypatch.setattr(resource, "getrlimit", lambda _: (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    probe = ItselfProbe(ItselfSettings(), bench)
    (_, files) = await probe.observe()
    await probe.close()
    assert isinstance(files, Level)
    assert files.capacity == 2**20


async def test_a_loop_that_was_held_up(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hold-up between two samples is told by the second, and forgotten by the third."""
    monkeypatch.setattr(itself, "BEAT_S", 0.02)
    probe = ItselfProbe(ItselfSettings(held_up_limit=0.1), bench)
    (loop, _) = await probe.observe()
    assert isinstance(loop, Condition)
    assert loop.sound
    time.sleep(0.3)  # noqa: ASYNC251  holds the loop up on purpose
    await asyncio.sleep(0.1)
    (loop, _) = await probe.observe()
    assert isinstance(loop, Condition)
    assert not loop.sound
    assert loop.reason.startswith("it was held up for 0.")
    (loop, _) = await probe.observe()
    assert isinstance(loop, Condition)
    assert loop.sound
    await probe.close()


async def test_nothing_is_left_after_close(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """After close() the event loop is not asked any more; closing twice, or before the first look, is no error."""
    monkeypatch.setattr(itself, "BEAT_S", 0.01)
    probe = ItselfProbe(ItselfSettings(), bench)
    await probe.close()
    await probe.observe()
    await probe.close()
    due_s = probe._due_s
    await asyncio.sleep(0.05)
    assert probe._due_s == due_s
    await probe.close()
