"""What guests' kernels write on their serial consoles: files that grow, are rotated, and are none."""

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.hands import SetClock
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Observed, Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests.agents import consoles
from watchkeeper.probes.guests.agents.consoles import KnownConsole, read_all, understand
from watchkeeper.probes.guests.agents.guest_agents import GuestAgentsProbe, GuestAgentsSettings

KILL = (
    "[  812.512345] Out of memory: Killed process 85 (tide-log) total-vm:24000kB, anon-rss:20000kB, file-rss:0kB, "
    "shmem-rss:0kB, UID:0 pgtables:80kB oom_score_adj:0\r\n"
)
"""As Linux 6.1 writes it on a serial console."""

GROUP_KILL = "[ 9.000001][    T1] Memory cgroup out of memory: Killed process 9 (gull) total-vm:1kB, anon-rss:1kB\r\n"
OLD_KILL = "Killed process 9 (gull) total-vm:1kB, anon-rss:1kB\n"
ERROR = "[   81.000001] EXT4-fs error (device vda1): ext4_lookup:1852: inode #2: comm ls: deleted inode\r\n"
PANIC = "[   82.000001] Kernel panic - not syncing: Out of memory and no killable processes...\r\n"


@pytest.fixture
def still(bench: ProbeContext) -> ProbeContext:
    """A context whose clock stands still, with a memory of its own."""
    return replace(bench, clock=SetClock(), probe_states=MemoryStateStore())


def probe_of(context: ProbeContext, folder: Path, **settings: Any) -> GuestAgentsProbe:
    """A probe of consoles, without any agent."""
    chosen = {"sockets": [f"{folder}/*.agent"], "consoles": [f"{folder}/*.console"], **settings}
    return GuestAgentsProbe(GuestAgentsSettings.model_validate(chosen), context)


def reasons(seen: list[Observed]) -> dict[str, str]:
    """Condition -> why it is not OK."""
    return {str(one.key): one.reason for one in seen if isinstance(one, Condition)}


async def test_kills_and_faults(still: ProbeContext, tmp_path: Path) -> None:
    """Only what is new counts, with names; it is forgotten after a while."""
    file = tmp_path / "hide-hub.console"
    file.write_text(KILL * 7)
    kills, faults = "guest hide-hub: memory shortage", "guest hide-hub: kernel messages"
    assert reasons(list(await probe_of(still, tmp_path).observe())) == {kills: "", faults: ""}
    with file.open("a", newline="") as more:
        more.write(KILL + "login: Killed process 1 (x)\n" + KILL + GROUP_KILL + ERROR + ERROR + PANIC + KILL[:40])
    # The memory of a restarted daemon is the same.
    probe = probe_of(still, tmp_path)
    seen = list(await probe.observe())
    assert reasons(seen) == {
        kills: "its kernel killed tide-log, gull for lack of memory, 3 times within 1d",
        faults: "its kernel reported errors in its structure (file system on vda1), a panic, 3 times within 1d",
    }
    (condition, *_) = [one for one in seen if isinstance(one, Condition)]
    assert condition.facts == (("last seen", "2026-03-01 12:00 UTC"),)
    with file.open("a", newline="") as more:
        more.write(KILL[40:])
    assert isinstance(still.clock, SetClock)
    still.clock.advance(80_000)
    assert "4 times" in reasons(list(await probe.observe()))[kills]
    still.clock.advance(7_000)
    assert reasons(list(await probe.observe()))[kills].endswith("tide-log for lack of memory, once within 1d")
    assert reasons(list(await probe_of(still, tmp_path, exclude=["hide-*"]).observe())) == {}


async def test_a_file_that_is_rotated_or_cut(still: ProbeContext, tmp_path: Path) -> None:
    """A new file, and one that was emptied, are read from their beginning."""
    file, probe = tmp_path / "hide-hub.console", probe_of(still, tmp_path)
    file.write_text("[    0.000000] Linux version 6.1\n" * 100)
    await probe.observe()
    file.write_text(KILL)
    assert "once" in reasons(list(await probe.observe()))["guest hide-hub: memory shortage"]
    file.rename(tmp_path / "hide-hub.console.1")
    file.write_text("x" * 5000 + "\n" + KILL)
    assert "2 times" in reasons(list(await probe.observe()))["guest hide-hub: memory shortage"]


async def test_what_is_no_file(still: ProbeContext, tmp_path: Path) -> None:
    """A pipe, a link and a file that may not be read are lines with the reason; nothing hangs."""
    os.mkfifo(tmp_path / "pipe.console")
    (tmp_path / "link.console").symlink_to("/etc/hostname")
    seen = {one.what: one.why for one in await probe_of(still, tmp_path).observe() if isinstance(one, Unseen)}
    assert set(seen) == {"guest pipe: its console", "guest link: its console"}
    assert seen["guest pipe: its console"].endswith("is no regular file")


def test_bounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of what a guest writes without end, the end is read; a line without end is passed over; too many files."""
    file = tmp_path / "a.console"
    file.write_text("")
    (first,) = read_all([str(file)], {})
    known = {str(file): KnownConsole(inode=first.inode, offset=first.offset)}
    with file.open("w", newline="") as more:
        more.write(KILL * 5000)
    (read,) = read_all([str(file)], known)
    assert len(read.text) <= consoles.PART_LIMIT_BYTES
    assert read.offset == file.stat().st_size
    assert len(understand(read.text)[0]) > 100
    file.write_bytes(b"y" * (2 * consoles.PART_LIMIT_BYTES))
    (read,) = read_all([str(file)], known)
    assert read.offset == file.stat().st_size
    monkeypatch.setattr(consoles, "FILES_LIMIT", 0)
    with pytest.raises(ProbeError, match="more than 0 files"):
        read_all([str(file)], known)


def test_names(still: ProbeContext) -> None:
    """The most frequent come first, and only some are named; a hostile name is made safe to show."""
    text = "".join(OLD_KILL.replace("gull", name) for name in ("a", "b", "b", "c", "d", "\x1b[31m"))
    kills, faults = understand(text)
    assert faults == []
    assert kills[-1] == "\\x1b[31m"
    now = still.clock.now()
    events = tuple(consoles.ConsoleEvent(at=now, what=each) for each in kills)
    condition, _ = consoles.Consoles(still, (), 60.0, 1.0).observe("x", KnownConsole(kills=events))
    assert condition.reason == "its kernel killed b, a, c and 2 more for lack of memory, 6 times within 1m"


@given(st.text(alphabet=st.sampled_from("[]<> 0.123:Killed process()XFS\n\r\x1b")) | st.text())
def test_whatever_a_guest_writes(text: str) -> None:
    """Any text gives short names."""
    kills, faults = understand(text)
    assert all(len(each) <= 80 and each.isprintable() for each in [*kills, *faults])
