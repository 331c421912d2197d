"""Restarts of the host: how the daemon's own record and the system's journal decide, over many boots."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.probes.toolbox import FixedClock, Toolbox
from watchkeeper.model.alert import Priority
from watchkeeper.model.observation import Condition
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host.host_restarts import SHUTDOWN, HostRestartsProbe, HostRestartsSettings
from watchkeeper.settings import Settings

NO_JOURNAL = "No journal files were opened due to insufficient permissions."


class Host:
    """A host that boots, shuts down and crashes, and the daemon on it."""

    def __init__(self, root: Path, bench: ProbeContext, toolbox: Toolbox) -> None:
        self.root, self.toolbox = root, toolbox
        self.clock = FixedClock(datetime(2026, 11, 30, 3, tzinfo=UTC))
        self.bench = replace(bench, clock=self.clock, probe_states=MemoryStateStore())
        self.settings = HostRestartsSettings()
        (root / "proc/sys/kernel/random").mkdir(parents=True)
        self.boots = 0
        self.journal("")
        self.boot()

    def journal(self, lines: str, *, kernel: str = "") -> None:
        """Set what the journal of the boot before holds: logind's message, and anything of the kernel's."""
        self.toolbox.answers("journalctl", [(SHUTDOWN, lines), ("_TRANSPORT=kernel", kernel)])

    def boot(self, up_s: float = 30.0) -> None:
        """Begin another boot."""
        self.boots += 1
        (self.root / "proc/sys/kernel/random/boot_id").write_text(f"boot-{self.boots}\n")
        (self.root / "proc/uptime").write_text(f"{up_s} 1.00\n")
        self.probe = HostRestartsProbe(self.settings, self.bench, self.root)

    async def look(self) -> Condition:
        """One run of the probe."""
        (seen,) = await self.probe.observe()
        assert isinstance(seen, Condition)
        return seen

    def pass_time(self, **time: float) -> None:
        """Let time pass."""
        self.clock.at += timedelta(**time)

    async def shut_down(self, off_s: float = 60.0) -> None:
        """Stop the daemon, then the host, and boot again."""
        await self.probe.close()
        self.pass_time(seconds=off_s)
        self.boot()

    def crash(self, off_s: float = 60.0) -> None:
        """Take the power away, and boot again."""
        self.pass_time(seconds=off_s)
        self.boot()


@pytest.fixture
def house(tmp_path: Path, bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> Host:
    """A host without a journal that this user may read."""
    return Host(tmp_path, bench, Toolbox(tmp_path, monkeypatch))


async def test_a_first_run_knows_no_restart(house: Host) -> None:
    """Nothing is known of the time before."""
    assert (await house.look()).ok
    assert [name for name, _ in (await house.look()).facts] == ["running for"]


async def test_a_shutdown_is_no_fault(house: Host) -> None:
    """It is listed with its time."""
    await house.look()
    house.pass_time(hours=2)
    await house.look()
    await house.shut_down()
    seen = await house.look()
    assert seen.ok
    assert ("restart at 2026-11-30 05:00 UTC", "after an orderly shutdown") in seen.facts


async def test_a_crash_of_seconds_is_noticed(house: Host) -> None:
    """However short it was. It counts for a day."""
    await house.look()
    house.crash(off_s=20)
    seen = await house.look()
    assert (seen.ok, seen.grave) == (False, False)
    assert seen.reason == "it restarted without a shutdown"
    house.pass_time(hours=25)
    assert (await house.look()).ok


async def test_a_crash_every_night_is_grave_by_the_second(house: Host) -> None:
    """With a count; a week without one, and it is over."""
    await house.look()
    for night in range(1, 4):
        house.pass_time(days=1)
        house.crash()
        seen = await house.look()
        assert seen.grave is (night > 1)
    assert seen.reason == "it restarted without a shutdown, 3 times within 7 days"
    house.pass_time(days=8)
    house.crash()
    assert not (await house.look()).grave


async def test_a_daemon_that_was_stopped_long_before(house: Host) -> None:
    """What happened since is not known, and not stated."""
    await house.look()
    await house.shut_down(off_s=3 * 3600)
    seen = await house.look()
    assert seen.ok
    assert seen.facts[1][1] == "unknown whether it was shut down before"


async def test_a_daemon_that_ran_on_after_it_was_stopped(house: Host) -> None:
    """A reload closes the probe too: a later crash is one."""
    await house.look()
    await house.probe.close()
    house.pass_time(minutes=1)
    await house.look()
    house.crash()
    assert not (await house.look()).ok


async def test_the_journal_decides_where_it_can_be_read(house: Host) -> None:
    """Logind's message proves a shutdown, even if the daemon was killed; its absence proves that there was none."""
    await house.look()
    house.journal("1764471600.0 gannet systemd-logind[512]: System is rebooting.\n")
    house.crash()
    assert (await house.look()).ok
    house.journal("", kernel="1764471600.0 gannet kernel: Linux version 6.1\n")
    await house.shut_down()
    assert not (await house.look()).ok


@pytest.mark.parametrize("ends", [{"status": 1, "stderr": NO_JOURNAL}, {"stdout": ""}, {"status": 0, "stdout": "\n"}])
async def test_a_journal_that_cannot_be_read(house: Host, ends: dict[str, object]) -> None:
    """A volatile or a closed one says nothing: the daemon's own record decides."""
    house.toolbox.says("journalctl", **{"stdout": "", **ends})  # type: ignore[arg-type]
    await house.look()
    house.crash()
    assert not (await house.look()).ok
    await house.shut_down()
    assert (await house.look()).facts[1][1] == "after an orderly shutdown"


async def test_the_kernels_record_of_a_crash(house: Host) -> None:
    """Where it left one, it is named."""
    await house.look()
    house.crash()
    folder = house.root / "sys/fs/pstore"
    folder.mkdir(parents=True)
    assert "the kernel's record of a crash" not in dict((await house.look()).facts)
    (folder / "dmesg-efi-1").write_text("panic")
    assert dict((await house.look()).facts)["the kernel's record of a crash"] == "/sys/fs/pstore: 1 files"


async def test_orderly_restarts_if_wanted(house: Host) -> None:
    """For an hour."""
    house.settings = HostRestartsSettings(orderly=True)
    await house.look()
    await house.shut_down()
    assert (await house.look()).reason == "it was restarted: after an orderly shutdown"
    house.pass_time(minutes=61)
    assert (await house.look()).ok


def test_priorities() -> None:
    """One is a caution, several are a warning."""
    rules = Settings.model_validate({}).rules_for(HostRestartsSettings())
    assert (rules.faulty.priority, rules.faulty.failed_priority) == (Priority.CAUTION, Priority.WARNING)
