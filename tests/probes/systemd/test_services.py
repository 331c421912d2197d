"""Services between two looks, through a program in systemctl's place that prints blocks as systemd 252 does."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.probes.toolbox import FixedClock, Toolbox
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.systemd.services import LISTED, PROPERTIES, ServicesProbe, ServicesSettings

NEVER = str(2**64 - 1)


class Manager:
    """A service manager that runs what the test says, on a host whose time passes by hand."""

    def __init__(self, folder: Path, bench: ProbeContext, toolbox: Toolbox) -> None:
        self.root, self.toolbox = folder, toolbox
        self.clock, self.up_s = FixedClock(datetime(2026, 11, 30, 12, tzinfo=UTC)), 10_000.0
        self.bench = replace(bench, clock=self.clock, probe_states=MemoryStateStore())
        self.units: dict[str, dict[str, str]] = {}
        (folder / "proc/sys/kernel/random").mkdir(parents=True)
        self.boot("first")
        self.set("cron.service")

    def boot(self, boot: str) -> None:
        """Begin a boot."""
        (self.root / "proc/sys/kernel/random/boot_id").write_text(f"{boot}\n")

    def set(self, unit: str, **properties: str) -> None:
        """Set the properties of a unit; the others are those of an active service that never restarted."""
        usual = {"Id": unit, "Type": "simple", "ActiveState": "active", "SubState": "running", "NRestarts": "0"}
        usual |= {"Result": "success", "Transient": "no", "InactiveExitTimestampMonotonic": "5000000"}
        usual |= {"ExecMainStartTimestampMonotonic": "5000000", "ExecMainExitTimestampMonotonic": "0"}
        self.units[unit] = usual | properties

    def one_shot(self, unit: str, active: str, began_s: float, ended_s: float = 0.0) -> None:
        """Set a one-shot that began and perhaps ended, in seconds since the boot."""
        began, ended = f"{began_s * 1e6:.0f}", f"{ended_s * 1e6:.0f}"
        self.set(unit, Type="oneshot", ActiveState=active, InactiveExitTimestampMonotonic=began,
                 ExecMainStartTimestampMonotonic=began, ExecMainExitTimestampMonotonic=ended)  # fmt: skip

    async def look(self, **settings: object) -> Mapping[str, Condition]:
        """One look by a new probe, which knows only what the one before kept."""
        blocks = ["\n".join(f"{name}={each[name]}" for name in PROPERTIES) for each in self.units.values()]
        self.toolbox.says("systemctl", "\n\n".join(blocks) + "\n")
        (self.root / "proc/uptime").write_text(f"{self.up_s:.2f} 1.00\n")
        probe = ServicesProbe(ServicesSettings.model_validate(settings), self.bench, self.root)
        found = {each.key.subject: each for each in await probe.observe() if isinstance(each, Condition)}
        assert found.pop(LISTED.subject).ok
        return found

    def pass_time(self, seconds: float) -> None:
        """Let time pass."""
        self.clock.at += timedelta(seconds=seconds)
        self.up_s += seconds


@pytest.fixture
def manager(tmp_path: Path, bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> Manager:
    """A manager with one service that runs."""
    return Manager(tmp_path, bench, Toolbox(tmp_path, monkeypatch))


async def test_a_service_that_restarts_between_two_looks(manager: Manager) -> None:
    """It is active at each look, and was restarted sixty times in between; an hour of quiet ends it."""
    assert await manager.look() == {}
    manager.pass_time(300)
    manager.set("cron.service", NRestarts="60")
    (seen,) = (await manager.look()).values()
    assert str(seen.key) == "unit cron.service: runs"
    assert seen.reason == "systemd restarted it 60 times within 1h, for it ended each time"
    for _ in range(13):
        manager.pass_time(300)
        last = await manager.look()
    assert last["unit cron.service"].ok


async def test_restarts_that_come_one_by_one(manager: Manager) -> None:
    """One every 35 minutes is below the limit of three an hour; one every ten minutes is above it."""
    for number in range(6):
        manager.set("cron.service", NRestarts=str(number))
        assert await manager.look() == {}
        manager.pass_time(2100)
    for number in range(6, 10):
        manager.set("cron.service", NRestarts=str(number))
        seen = await manager.look()
        manager.pass_time(600)
    assert not seen["unit cron.service"].ok


async def test_counts_that_go_back(manager: Manager) -> None:
    """A manual start, `reset-failed` and a restart of the host begin the count at 0."""
    await manager.look()
    for count in ("1", "0"):
        manager.set("cron.service", NRestarts=count)
        assert await manager.look() == {}
        manager.pass_time(60)
    manager.boot("second")
    manager.set("cron.service", NRestarts="1")
    assert await manager.look() == {}
    manager.pass_time(60)
    manager.set("cron.service", NRestarts="2")
    seen = (await manager.look())["unit cron.service"]
    assert seen.reason == "systemd restarted it 3 times within 1h, for it ended each time"


async def test_what_restarted_before_the_first_look(manager: Manager) -> None:
    """When that was is not known."""
    manager.set("cron.service", NRestarts="500")
    assert await manager.look() == {}
    manager.pass_time(60)
    assert await manager.look() == {}


async def test_a_one_shot_that_hangs(manager: Manager) -> None:
    """After three times its longest run, if that is known."""
    for night in range(3):
        manager.one_shot("backup.service", "inactive", 1000 * night + 100, 1000 * night + 700)
        assert await manager.look() == {}
    manager.one_shot("backup.service", "activating", manager.up_s)
    for seconds in (60, 1700):
        manager.pass_time(seconds)
        assert await manager.look() == {}
    manager.pass_time(60)
    (seen,) = (await manager.look()).values()
    assert seen.reason == "it has been starting for 30m and has not ended, its longest run so far took 10m"
    manager.one_shot("backup.service", "inactive", manager.up_s - 1820, manager.up_s)
    assert (await manager.look())["unit backup.service"].ok


async def test_a_one_shot_that_never_ended_before(manager: Manager) -> None:
    """Then six hours."""
    manager.one_shot("import.service", "activating", manager.up_s)
    manager.pass_time(6 * 3600 - 1)
    assert await manager.look() == {}
    manager.pass_time(2)
    (seen,) = (await manager.look()).values()
    assert seen.reason == "it has been starting for 6h and has not ended"


async def test_a_service_that_starts_slowly(manager: Manager) -> None:
    """Only a one-shot runs while it is activating; for others systemd has its own limit."""
    manager.set("db.service", Type="notify", ActiveState="activating", InactiveExitTimestampMonotonic="1")
    manager.pass_time(7 * 3600)
    assert await manager.look() == {}


async def test_what_is_not_monitored(manager: Manager) -> None:
    """Transient units, and what is left out."""
    await manager.look()
    manager.set("run-r1.service", NRestarts="60", Transient="yes")
    manager.set("getty@tty1.service", NRestarts="60")
    assert await manager.look(exclude=["getty@*"]) == {}


@pytest.mark.parametrize("value", ["", "x", "-1", NEVER, "9" * 30, "1 2"])
async def test_properties_of_anything(manager: Manager, value: str) -> None:
    """What is no number counts as 0."""
    await manager.look()
    manager.one_shot("a.service", "activating", 0)
    manager.set("a.service", Type="oneshot", ActiveState="activating", NRestarts=value,
                InactiveExitTimestampMonotonic=value, ExecMainStartTimestampMonotonic=value,
                ExecMainExitTimestampMonotonic=value)  # fmt: skip
    assert await manager.look() == {}


async def test_ten_thousand_services(manager: Manager) -> None:
    """A bounded number is monitored, in bounded time and state."""
    for number in range(10_000):
        manager.set(f"many-{number}.service", NRestarts="0")
    assert await manager.look() == {}


async def test_a_host_without_systemd(manager: Manager, monkeypatch: pytest.MonkeyPatch) -> None:
    """Then nothing can be told."""
    monkeypatch.setattr("watchkeeper.probes.support.tools.PATH", "/nowhere")
    probe = ServicesProbe(ServicesSettings(), manager.bench, manager.root)
    (seen,) = await probe.observe()
    assert isinstance(seen, Unseen)


async def test_a_manager_that_does_not_answer(manager: Manager) -> None:
    """Its own words are the reason."""
    manager.toolbox.says("systemctl", "", status=1, stderr="Failed to connect to bus: No such file or directory")
    with pytest.raises(ProbeError, match="Failed to connect to bus"):
        await ServicesProbe(ServicesSettings(), manager.bench, manager.root).observe()


async def test_a_service_that_is_unloaded_after_a_fault(manager: Manager) -> None:
    """Systemd forgets one that was stopped: it does not run, so it is OK, and its readings go on."""
    await manager.look()
    manager.set("cron.service", NRestarts="60")
    manager.pass_time(300)
    assert not (await manager.look())["unit cron.service"].ok
    manager.units.clear()
    manager.set("other.service")
    for _ in range(2):
        manager.pass_time(300)
        seen = (await manager.look())["unit cron.service"]
        assert (seen.ok, seen.facts) == (True, (("active state", "not loaded"),))
    assert await manager.look(exclude=["cron*"]) == {}
    manager.set("cron.service", NRestarts="1")
    assert await manager.look() == {}


async def test_a_service_that_comes_back(manager: Manager) -> None:
    """Its count begins at 0 with the next start."""
    await manager.look()
    manager.set("cron.service", NRestarts="60")
    await manager.look()
    before = manager.units.pop("cron.service")
    manager.set("other.service")
    await manager.look()
    manager.units["cron.service"] = before | {"NRestarts": "2"}
    seen = (await manager.look())["unit cron.service"]
    assert seen.ok


async def test_ten_thousand_units(manager: Manager) -> None:
    """The first five hundred are looked at, and the number of all is shown."""
    for number in range(10_000):
        manager.set(f"job-{number}.service")
    assert await manager.look() == {}
    manager.pass_time(60)
    manager.set("cron.service", NRestarts="60")
    assert list(await manager.look()) == ["unit cron.service"]


@pytest.mark.parametrize("count", ["", "-1", "many", "9" * 30, str(2**64 - 1)])
async def test_counts_that_are_none(manager: Manager, count: str) -> None:
    """They count as 0."""
    await manager.look()
    manager.set("cron.service", NRestarts=count, ExecMainExitTimestampMonotonic=count)
    assert await manager.look() == {}
