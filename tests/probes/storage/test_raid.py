"""Arrays of disks, from tables as the kernel lays them out: admin-guide/md.rst."""

from dataclasses import replace
from pathlib import Path

import pytest

from tests.probes.toolbox import FixedClock, find, utc
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Deadline
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.storage.raid import Array, RaidProbe, RaidSettings, read_arrays

SOUND = {
    "level": "raid1", "array_state": "clean", "raid_disks": "2", "degraded": "0", "sync_action": "idle",
    "sync_completed": "none", "sync_speed": "none", "mismatch_cnt": "0", "dev-sda1/state": "in_sync",
    "dev-sdb1/state": "in_sync",
}  # fmt: skip


def array(sysfs: Path, name: str = "md0", **changed: str | None) -> None:
    """Lay out an array's tables; None leaves one out."""
    folder = sysfs / name / "md"
    for table, value in {
        **SOUND,
        **{key.replace("__", "/").replace("_1", "1"): v for key, v in changed.items()},
    }.items():
        path = folder / table
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        if value is not None:
            path.write_text(f"{value}\n")


async def look(bench: ProbeContext, sysfs: Path, **settings: object) -> dict[str, Condition | Deadline]:
    """What a new probe says of the array's checks, by quantity."""
    probe = RaidProbe(RaidSettings.model_validate(settings), bench, sysfs)
    seen = [each for each in await probe.observe() if isinstance(each, Condition | Deadline)]
    return {each.key.quantity: each for each in seen}


async def test_the_check_of_an_array(bench: ProbeContext, tmp_path: Path) -> None:
    """It is due 40 days after the array was first seen, then 40 days after each one that ran."""
    clock = FixedClock(utc("2026-11-01 00:00:00"))
    bench = replace(bench, clock=clock)
    array(tmp_path, level="raid5")
    due = (await look(bench, tmp_path))["check"]
    assert isinstance(due, Deadline)
    assert (due.due_at, due.last_at) == (utc("2026-12-11 00:00:00"), None)
    clock.at = utc("2026-11-20 00:00:00")
    array(tmp_path, level="raid5", sync_action="check")
    await look(bench, tmp_path)
    clock.at = utc("2026-11-21 00:00:00")
    array(tmp_path, level="raid5")
    due = (await look(bench, tmp_path))["check"]
    assert isinstance(due, Deadline)
    assert (due.due_at, due.last_at) == (utc("2026-12-30 00:00:00"), utc("2026-11-20 00:00:00"))
    assert "check" not in await look(bench, tmp_path, check_limit="never")


@pytest.mark.parametrize(("level", "faulty"), [("raid5", True), ("raid6", True), ("raid1", False), ("raid10", False)])
async def test_what_a_check_found(bench: ProbeContext, tmp_path: Path, level: str, faulty: bool) -> None:  # noqa: FBT001
    """Parity that does not match is a fault; on a mirror it can mean nothing: md(4), SCRUBBING AND MISMATCHES."""
    array(tmp_path, level=level, mismatch_cnt="128")
    parity = (await look(bench, tmp_path))["parity"]
    assert isinstance(parity, Condition)
    assert parity.ok is not faulty
    array(tmp_path, level=level, mismatch_cnt="128", sync_action="check")
    parity = (await look(bench, tmp_path))["parity"]
    assert isinstance(parity, Condition)
    assert parity.ok


async def test_an_array_without_redundancy_has_no_check(bench: ProbeContext, tmp_path: Path) -> None:
    """Nothing can be compared on a raid0."""
    array(tmp_path, level="raid0")
    assert set(await look(bench, tmp_path)) == {"health"}


async def health(bench: ProbeContext, sysfs: Path, name: str = "md0", **settings: object) -> Condition:
    """The health of one array."""
    probe = RaidProbe(RaidSettings.model_validate(settings), bench, sysfs)
    return find(await probe.observe(), f"array {name}", "health", Condition)


async def test_a_sound_array(bench: ProbeContext, tmp_path: Path) -> None:
    """Its level and number of disks are facts; other block devices are none."""
    array(tmp_path)
    (tmp_path / "sda").mkdir()
    found = await health(bench, tmp_path)
    assert found.ok
    assert found.facts == (("level", "raid1"), ("disks", "2"))


async def test_an_array_that_lost_a_disk(bench: ProbeContext, tmp_path: Path) -> None:
    """Degraded, with the disk that it has given up; it still serves."""
    array(tmp_path, degraded="1", **{"dev-sdb1__state": "faulty,write_mostly"})
    found = await health(bench, tmp_path)
    assert (found.ok, found.grave, found.reason) == (False, False, "1 of 2 disks is missing, faulty: sdb1")


async def test_an_array_that_is_rebuilt(bench: ProbeContext, tmp_path: Path) -> None:
    """How far it is and how long it takes: sectors of 512 bytes, at KiB a second."""
    array(
        tmp_path, raid_disks="4", degraded="2", sync_action="recover", sync_completed="250 / 1000000", sync_speed="100"
    )
    found = await health(bench, tmp_path)
    assert found.reason == "2 of 4 disks are missing, rebuilding, 0% done, about 1h23m left"
    array(tmp_path, degraded="1", sync_action="recover", sync_completed="delayed")
    assert (await health(bench, tmp_path)).reason == "1 of 2 disks is missing, rebuilding"


async def test_a_check_is_no_fault(bench: ProbeContext, tmp_path: Path) -> None:
    """It reads all disks, and changes nothing; what the last one found is a fact."""
    array(tmp_path, sync_action="check", sync_completed="500000 / 1000000", mismatch_cnt="128")
    found = await health(bench, tmp_path)
    assert found.ok
    assert dict(found.facts)["in progress"] == "checking, 50% done"
    assert dict(found.facts)["mismatches"] == "128 sectors at the last check"


@pytest.mark.parametrize("state", ["inactive", "broken", "clear", "suspended"])
async def test_an_array_that_has_stopped(bench: ProbeContext, tmp_path: Path, state: str) -> None:
    """Grave: what is on it cannot be reached."""
    array(tmp_path, array_state=state)
    found = await health(bench, tmp_path)
    assert (found.grave, found.reason) == (True, f"the array is {state} and cannot be used")


async def test_an_array_without_redundancy(bench: ProbeContext, tmp_path: Path) -> None:
    """raid0 has none of the tables that tell of lost disks."""
    array(tmp_path, level="raid0", degraded=None, sync_action=None, sync_completed=None, sync_speed=None)
    assert (await health(bench, tmp_path)).ok


async def test_a_kind_of_work_that_is_not_known(bench: ProbeContext, tmp_path: Path) -> None:
    """A later kernel's word is shown as it is; an unknown level too."""
    array(tmp_path, sync_action="polish", level=None)
    assert dict((await health(bench, tmp_path)).facts) == {"level": "unknown", "disks": "2", "in progress": "polish"}


def test_an_array_that_is_stopped_while_it_is_read(tmp_path: Path) -> None:
    """Its tables go away: it is passed over, and the others stay."""
    array(tmp_path, "md0", array_state=None)
    array(tmp_path, "md_home", raid_disks="4 (3)", sync_completed="1 / 0")
    assert read_arrays(tmp_path) == [Array("md_home", "raid1", "clean", 4, 0, uuid="md_home")]


async def test_arrays_that_must_be_there(bench: ProbeContext, tmp_path: Path) -> None:
    """One that is named, and one that was there before; what is left out is not asked for."""
    array(tmp_path)
    assert not (await health(bench, tmp_path, "md9", arrays=["md9"])).ok
    probe = RaidProbe(RaidSettings(), bench, tmp_path)
    await probe.observe()
    (tmp_path / "md0").rename(tmp_path / "gone")
    assert "stopped" in find(await probe.observe(), "array md0", "health", Condition).reason
    await probe.close()


async def test_no_array_at_all(bench: ProbeContext, tmp_path: Path) -> None:
    """A probe that watches nothing says so."""
    array(tmp_path)
    with pytest.raises(ProbeError, match="no software RAID"):
        await health(bench, tmp_path, exclude=["md0"])
