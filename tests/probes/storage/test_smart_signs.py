"""What foretells a disk's end: reports built from published attribute tables, and histories replayed through the probe.

The sources:

- "HOWTO": the Bad block HOWTO of smartmontools (badblockhowto.html of Debian's package), whose attribute tables and
  self-test logs of a disk with one unreadable sector, and of one with three, are used as they are printed there.
- "database": names and raw formats from drivedb.h of smartmontools 7.3, whose entries are named at each case.
- NVM Express base specification: the fields of the SMART / Health Information log.

No table shows weeks of one disk, so the course between two published tables is made up; each test says which.
"""

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.probes.storage.test_smart import NVME, SLEEPING, Host
from tests.probes.toolbox import FixedClock, Toolbox, find, keys
from watchkeeper.model.observation import Condition, Deadline, Level, Observed, Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.storage.smart.counters import Counter, read_counters
from watchkeeper.probes.storage.smart.report import SLEEPS, read_disk
from watchkeeper.probes.storage.smart.self_tests import SelfTests, age_h, read_self_tests

Row = tuple[int, str, int, int | str]
"""Number, name, normalised value, and raw value: as smartctl prints it, or a number that it prints as it is."""

SUBJECT = "disk Example HDD 4TB S1"
START = datetime(2026, 9, 1, 6, 0, tzinfo=UTC)

HEALTHY: Sequence[Row] = (
    (5, "Reallocated_Sector_Ct", 100, 0),
    (197, "Current_Pending_Sector", 100, 0),
    (198, "Offline_Uncorrectable", 100, 0),
)
ONE_BAD_SECTOR: Sequence[Row] = (*HEALTHY[:1], (197, HEALTHY[1][1], 100, 1), (198, HEALTHY[2][1], 100, 1))
"""HOWTO, first example, as found."""
REWRITTEN: Sequence[Row] = ((5, HEALTHY[0][1], 100, 1), HEALTHY[1], (198, HEALTHY[2][1], 100, 1))
"""HOWTO, first example, after the sector was written: it was reallocated."""
TESTED: Sequence[Row] = ((5, HEALTHY[0][1], 100, 1), *HEALTHY[1:])
"""HOWTO, first example, after the self-test that passed."""
THREE_BAD_SECTORS: Sequence[Row] = (*HEALTHY[:1], (197, HEALTHY[1][1], 100, 3), (198, HEALTHY[2][1], 100, 3))
"""HOWTO, second example, whose disk had 212 errors in its log and failed its extended test."""


def disk(rows: Sequence[Row], **more: object) -> dict[str, Any]:
    """Smartctl's report of a disk that its database knows."""
    table = [
        {"id": number, "name": name, "value": value, "raw": {"value": raw if isinstance(raw, int) else 2**40,
                                                             "string": str(raw)}}
        for number, name, value, raw in rows
    ]  # fmt: skip
    return {
        "model_name": "Example HDD 4TB",
        "serial_number": "S1",
        "in_smartctl_database": True,
        "smart_status": {"passed": True},
        "rotation_rate": 7200,
        "ata_smart_attributes": {"table": table},
        **more,
    }


class Replay:
    """A host whose disk is looked at on chosen days; every look is one of a daemon that has just started."""

    def __init__(self, host: Host) -> None:
        self.host, self.clock = host, FixedClock(START)
        host.bench = replace(host.bench, clock=self.clock, probe_states=MemoryStateStore())

    async def look(self, day: float, said: Mapping[str, Any], status: int = 0, **settings: object) -> list[Observed]:
        """What the probe reports so many days after the first look."""
        self.clock.at = START + timedelta(days=day)
        self.host.disk("sda", said, status)
        return await self.host.observe(**settings)

    async def signs(self, day: float, rows: Sequence[Row], quantity: str = "early signs") -> Condition:
        """One condition of a disk with these attributes."""
        return find(await self.look(day, disk(rows)), SUBJECT, quantity, Condition)


@pytest.fixture
def replay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bench: ProbeContext) -> Replay:
    """A host with one disk."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    return Replay(Host(tmp_path, Toolbox(tmp_path, monkeypatch), bench))


async def test_one_unreadable_sector_until_it_was_written_again(replay: Replay) -> None:
    """HOWTO, first example: told at once, while the sector is unreadable, and for 60 days after."""
    assert (await replay.signs(0, HEALTHY)).ok
    found = await replay.signs(1, ONE_BAD_SECTOR)
    assert found.reason == "1 unreadable sector (1 more in 60 days); 1 pending sector (1 more in 60 days)"
    assert "39 times likelier to fail within 60 days" in dict(found.facts)["study"]
    assert "reallocated sector more" in (await replay.signs(2, REWRITTEN)).reason
    assert not (await replay.signs(3, TESTED)).ok
    assert (await replay.signs(70, TESTED)).ok


async def test_unreadable_sectors_are_told_at_the_first_look(replay: Replay) -> None:
    """HOWTO, second example: no history is needed for what cannot be read now."""
    assert (await replay.signs(0, THREE_BAD_SECTORS)).reason == "3 unreadable sectors; 3 pending sectors"


async def test_a_disk_that_dies_is_told_weeks_before(replay: Replay) -> None:
    """A made-up course that ends with the HOWTO's second table, and the disk's own verdict on day 60.

    Sectors are reallocated from day 20 on, pending from day 41 on. The disk itself says that it passes until the end.
    """
    told = []
    for day in range(61):
        rows = ((5, HEALTHY[0][1], 100, max(0, day - 19)), *(THREE_BAD_SECTORS if day > 40 else HEALTHY)[1:])
        seen = await replay.look(day, disk(rows, smart_status={"passed": day < 60}), 0 if day < 60 else 8)
        told.append(not find(seen, SUBJECT, "early signs", Condition).ok)
        assert find(seen, SUBJECT, "health", Condition).ok is (day < 60)
    assert told.index(True) == 20
    assert all(told[20:])


HIGH: Sequence[Row] = (
    (5, "Reallocated_Sector_Ct", 98, "1272"),
    (187, "Reported_Uncorrect", 61, 39),
    (188, "Command_Timeout", 100, "0 0 7"),
    *HEALTHY[1:],
    (199, "UDMA_CRC_Error_Count", 200, 4711),
)


async def test_high_counters_that_do_not_grow_are_no_sign(replay: Replay) -> None:
    """120 days of a healthy disk with old damage: no alert, and the values are shown."""
    for day in range(0, 120, 4):
        seen = await replay.look(day, disk(HIGH))
        assert all(each.ok for each in seen if isinstance(each, Condition))
    facts = dict(find(seen, SUBJECT, "health", Condition).facts)
    assert (facts["reallocated sectors"], facts["command timeouts"]) == ("1272", "7")
    assert not [each for each in seen if isinstance(each, Unseen)]


@pytest.mark.parametrize("position", range(3))
async def test_any_growth_of_what_an_operator_examines_is_told(replay: Replay, position: int) -> None:
    """5, 187 and 188 by one, on top of the high values; 188 in the form of three counters (database: ST3000DM001)."""
    raw: int | str = ("1273", 40, "0 0 8")[position]
    await replay.signs(0, HIGH)
    rows = [(*each[:3], raw) if number == position else each for number, each in enumerate(HIGH)]
    found = await replay.signs(9, rows)
    words = ("reallocated sector", "uncorrectable error", "command timeout")[position]
    assert found.reason == f"1 {words} more in 60 days"
    assert "67,814 disks" in dict(found.facts)["study"]


async def test_the_cable(replay: Replay) -> None:
    """Two errors in a week were sent again and are no fault; three are one, until a week has passed without."""
    assert (await replay.signs(0, HIGH, "interface errors")).ok
    for day, count, ok in ((1, 4713, True), (2, 4714, False), (7, 4714, False), (8, 4714, True)):
        seen = await replay.signs(day, (*HIGH[:-1], (199, HIGH[-1][1], 200, count)), "interface errors")
        assert seen.ok is ok, day
        assert ok or "cable" in seen.reason
    assert (await replay.signs(9, HIGH)).ok, "the cable is not the disk"


async def test_a_counter_that_falls_begins_again(replay: Replay) -> None:
    """A firmware that counts otherwise is no growth; what comes after it is."""
    await replay.signs(0, HIGH)
    lower = ((5, HIGH[0][1], 100, "3"), *HIGH[1:])
    assert (await replay.signs(1, lower)).ok
    assert (await replay.signs(2, ((5, HIGH[0][1], 100, "4"), *HIGH[1:]))).reason.startswith("1 reallocated")


async def test_an_nvme(replay: Replay) -> None:
    """Media errors by growth, power lost three times in a month, spare blocks against the disk's own threshold."""
    log = {"critical_warning": 0, "media_errors": 12, "unsafe_shutdowns": 40,
           "available_spare": 100, "available_spare_threshold": 10}  # fmt: skip
    subject = "disk Example NVMe 1TB N1"

    def report(**more: int) -> dict[str, Any]:
        return {**NVME, "nvme_smart_health_information_log": {**log, **more}}

    seen = await replay.look(0, report())
    assert all(find(seen, subject, each, Condition).ok for each in ("early signs", "power losses"))
    assert find(seen, subject, "spare blocks", Level).used == 0
    seen = await replay.look(5, report(media_errors=14, unsafe_shutdowns=42, available_spare=55))
    assert find(seen, subject, "early signs", Condition).reason == "2 media errors more in 60 days"
    assert find(seen, subject, "power losses", Condition).ok
    assert find(seen, subject, "spare blocks", Level).used == 0.5
    seen = await replay.look(6, report(unsafe_shutdowns=43, available_spare=3))
    assert "power supply" in find(seen, subject, "power losses", Condition).reason
    assert find(seen, subject, "spare blocks", Level).used == 1
    assert not [each for each in keys(seen) if "heat" in each], "an NVMe warns by itself"
    for said in ({"available_spare_threshold": 100}, {"available_spare": 0, "available_spare_threshold": 0}):
        seen = await replay.look(7, report(**said))
        assert f"{subject}: spare blocks" not in keys(seen)


async def test_a_model_that_the_database_does_not_know(replay: Replay) -> None:
    """Its values are facts, and it is said that nobody judges them: 1000 pending sectors are not called OK."""
    said = disk(((197, "Current_Pending_Sector", 1, 1000),), in_smartctl_database=False)
    seen = await replay.look(0, said)
    assert f"{SUBJECT}: early signs" not in keys(seen)
    (unseen,) = [each for each in seen if isinstance(each, Unseen)]
    assert unseen.what == f"{SUBJECT}: pending sectors"
    assert "does not know this model" in unseen.why
    assert dict(find(seen, SUBJECT, "health", Condition).facts)["pending sectors"] == "1000"


def statistic(name: str, value: int, *, valid: bool = True) -> dict[str, Any]:
    """Device statistics with one row."""
    return {"pages": [{"table": [{"name": name, "value": value, "flags": {"valid": valid}}]}]}


async def test_statistics_of_the_standard_are_judged_for_any_model(replay: Replay) -> None:
    """ACS-4 says what they count. Attributes of the model are not needed then; an invalid row counts for nothing."""
    name = "Number of Reported Uncorrectable Errors"
    unknown = {"in_smartctl_database": False}
    rows = ((187, "Reported_Uncorrect", 100, 5),)
    await replay.look(0, disk(rows, ata_device_statistics=statistic(name, 5), **unknown))
    seen = await replay.look(1, disk(rows, ata_device_statistics=statistic(name, 6), **unknown))
    assert find(seen, SUBJECT, "early signs", Condition).reason == "1 uncorrectable error more in 60 days"
    assert not [each for each in seen if isinstance(each, Unseen)]
    seen = await replay.look(2, disk(rows, ata_device_statistics=statistic(name, 7, valid=False), **unknown))
    assert f"{SUBJECT}: early signs" not in keys(seen)


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ((188, "Command_Timeout", 100, "4 4 9"), Counter("command timeouts", 9, "attribute 188")),
        ((188, "Command_Timeout", 100, "4295032833"), Counter("command timeouts", 0, "", judged=False)),
        ((5, "Reallocated_Sector_Ct", 100, "8 (2000 0)"), Counter("reallocated sectors", 8, "attribute 5")),
        ((5, "Reallocated_Sector_Ct", 100, "0x0008"), Counter("reallocated sectors", 0, "", judged=False)),
        ((197, "Total_Pending_Sectors", 100, 8), Counter("pending sectors", 8, "attribute 197")),
        ((197, "Current_Pending_Sector", 100, 8), Counter("pending sectors", 8, "attribute 197", standing=True)),
        ((197, "Not_In_Use", 100, 8), None),
        ((198, "Host_Reads_GiB", 100, 8000), None),
        ((231, "SSD_Life_Left", 95, 95), None),
    ],
)  # fmt: skip
def test_raw_values_as_the_database_prints_them(row: Row, expected: Counter | None) -> None:
    """Forms and names of drivedb.h; what is packed in an unknown form, or means something else, is not judged."""
    found = read_counters(disk([row]))
    if expected and not expected.judged:
        assert [(each.name, each.judged) for each in found] == [(expected.name, False)]
    else:
        assert list(found) == ([expected] if expected else [])


def test_a_sas_disk() -> None:
    """The grown defects, and errors that could not be corrected, over all operations."""
    log = {"read": {"total_uncorrected_errors": 3}, "write": {}, "verify": {"total_uncorrected_errors": 1}}
    found = read_counters({"scsi_grown_defect_list": 7, "scsi_error_counter_log": log})
    assert [(each.name, each.value) for each in found] == [("reallocated sectors", 7), ("uncorrectable errors", 4)]


@pytest.mark.parametrize(
    ("row", "more", "used"),
    [
        ((177, "Wear_Leveling_Count", 93, 117), {}, 0.07),
        ((202, "Percent_Lifetime_Remain", 92, 8), {}, 0.08),
        ((202, "Percent_Lifetime_Used", 92, 8), {}, 0.08),
        ((231, "SSD_Life_Left", 95, 95), {}, 0.05),
        ((233, "Media_Wearout_Indicator", 97, 0), {}, 0.03),
        ((233, "Media_Wearout_Indicator", 0, 0), {}, None),
        ((233, "Lifetime_Wts_To_Flsh_GB", 97, 0), {}, None),
        ((231, "SSD_Life_Left", 95, 95), {"in_smartctl_database": False}, None),
        ((231, "SSD_Life_Left", 95, 95), {"rotation_rate": 7200}, None),
    ],
)
def test_wear_of_a_sata_ssd(row: Row, more: dict[str, Any], used: float | None) -> None:
    """Names of drivedb.h: Samsung, Crucial and Micron (two generations), Phison and SandForce, Intel."""
    said = disk([row], **{"rotation_rate": 0, **more})
    found = read_disk(json.dumps(said), 0).wear_share
    assert found == (None if used is None else pytest.approx(used))


def entry(kind: int, status: int, hour: int) -> dict[str, Any]:
    """One entry of a self-test log as smartctl writes it: the status is ATA's byte."""
    return {"type": {"value": kind}, "status": {"value": status}, "lifetime_hours": hour}


HOWTO_LOG = {"standard": {"table": [entry(2, 0, 239), *(entry(2, 0x79, hour) for hour in (217, 212, 181)),
                                    entry(2, 0, 14), entry(2, 0, 4)]}}  # fmt: skip
"""HOWTO, first example: six extended tests, three of which failed to read."""


async def test_when_the_next_self_tests_are_due(replay: Replay) -> None:
    """HOWTO's log at 249 hours of operation: the last test ended ten hours ago, whatever the hours do later."""
    said = disk(HEALTHY, ata_smart_self_test_log=HOWTO_LOG, power_on_time={"hours": 249})
    due = find(await replay.look(0, said), SUBJECT, "extended self-test", Deadline)
    assert due.last_at == START - timedelta(hours=10)
    assert due.due_at == due.last_at + timedelta(days=100)
    later = disk(HEALTHY, ata_smart_self_test_log=HOWTO_LOG, power_on_time={"hours": 260})
    seen = await replay.look(30, later)
    assert find(seen, SUBJECT, "extended self-test", Deadline).last_at == due.last_at, "it was off for weeks"
    assert find(seen, SUBJECT, "short self-test", Deadline).due_at == START + timedelta(days=35, hours=-10)
    seen = await replay.look(31, later, short_test_limit="never", extended_test_limit="never")
    assert not [each for each in seen if isinstance(each, Deadline)]


async def test_a_disk_that_never_tested_itself(replay: Replay) -> None:
    """It is due from the first look on, so a new installation has time to plan tests; aborted ones are none."""
    log = {"standard": {"table": [entry(2, 0x19, 5), entry(1, 0xF5, 6), entry(3, 0, 7)]}}
    said = disk(HEALTHY, ata_smart_self_test_log=log, power_on_time={"hours": 9})
    await replay.look(0, said)
    due = find(await replay.look(20, said), SUBJECT, "short self-test", Deadline)
    assert (due.last_at, due.due_at) == (None, START + timedelta(days=35))
    assert dict(due.facts) == {"last test": "none in the disk's log"}
    assert f"{SUBJECT}: short self-test" not in keys(await replay.look(21, disk(HEALTHY))), "it has no log"
    untimed = find(await replay.look(22, disk(HEALTHY, ata_smart_self_test_log=HOWTO_LOG)), SUBJECT,
                   "short self-test", Deadline)  # fmt: skip
    assert untimed.last_at is None, "without its hours nobody knows when"


async def test_figures_that_no_disk_can_count(replay: Replay) -> None:
    """Endless numbers, and hours of a million years: they count as missing, and nothing breaks."""
    rows = [{"self_test_code": {"value": 1}, "self_test_result": {"value": 0}, "power_on_hours": 0}]
    log = {"nvme_self_test_log": {"table": rows}, "power_on_time": {"hours": 10**10}, "temperature": {"current": 1e400}}
    said = disk(HEALTHY, **log, ata_device_statistics=statistic("Number of Interface CRC Errors", 10**400))
    seen = await replay.look(0, said)
    assert find(seen, SUBJECT, "short self-test", Deadline).last_at is None
    assert not {f"{SUBJECT}: interface errors", f"{SUBJECT}: heat"} & keys(seen)


def test_the_log_of_an_nvme_and_hours_that_wrap() -> None:
    """The form of smartmontools 7.4; and ATA's hours, of which only 16 bits are kept."""
    rows = [{"self_test_code": {"value": 1}, "self_test_result": {"value": 1}, "power_on_hours": 90},
            {"self_test_code": {"value": 1}, "self_test_result": {"value": 0}, "power_on_hours": 80}]  # fmt: skip
    assert read_self_tests({"nvme_self_test_log": {"table": rows}}) == SelfTests(80, None, wraps=False)
    assert age_h(100, 80, wraps=False) == 20
    assert age_h(79, 80, wraps=False) == 0
    assert age_h(65_540, 65_530, wraps=True) == age_h(65_546, 0, wraps=True) == 10
    assert read_self_tests({}) is None
    assert read_self_tests({"ata_smart_self_test_log": {"standard": {"table": [{}]}}}) == SelfTests(None, None)


@pytest.mark.parametrize(
    ("more", "settings", "ok"),
    [
        ({"temperature": {"current": 60}}, {}, True),
        ({"temperature": {"current": 61}}, {}, False),
        ({"temperature": {"current": 61}, "rotation_rate": 0}, {}, True),
        ({"temperature": {"current": 71}, "rotation_rate": 0}, {}, False),
        ({"temperature": {"current": 61, "op_limit_max": 65}}, {}, True),
        ({"temperature": {"current": 61, "op_limit_max": 0}}, {}, False),
        ({"temperature": {"current": 61, "drive_trip": 68}}, {}, True),
        ({"temperature": {"current": 61},
          "ata_device_statistics": statistic("Specified Maximum Operating Temperature", 65)}, {}, True),
        ({"temperature": {"current": 51}}, {"hot_limit": 50}, False),
    ],
)  # fmt: skip
async def test_a_hot_disk(replay: Replay, more: dict[str, Any], settings: dict[str, Any], ok: bool) -> None:  # noqa: FBT001  parametrised
    """Against the operator's limit, or the disk's own, or the usual one of its sort."""
    found = find(await replay.look(0, disk(HEALTHY, **more), **settings), SUBJECT, "heat", Condition)
    assert found.ok is ok


async def test_a_hot_disk_must_cool_down_by_some_degrees(replay: Replay) -> None:
    """One probe, whose disk goes to 61, 58, 57 °C and then to sleep while hot."""
    probe = replay.host.probe()

    async def hot(celsius: int) -> bool:
        replay.host.disk("sda", disk(HEALTHY, temperature={"current": celsius}))
        return not find(await probe.observe(), SUBJECT, "heat", Condition).ok

    assert [await hot(each) for each in (58, 61, 58, 57, 58, 62)] == [False, True, True, False, False, True]
    replay.host.disk("sda", SLEEPING, SLEEPS)
    seen = await probe.observe()
    assert find(seen, SUBJECT, "heat", Condition).ok, "one that does not turn cools down"
    assert find(seen, SUBJECT, "early signs", Condition).ok


async def test_disks_without_a_serial_number_have_no_history(replay: Replay) -> None:
    """Two of them could not be told apart, so growth is not judged; what cannot be read now is."""
    for day, rows, ok in (
        (0, HIGH, True),
        (1, ((5, HIGH[0][1], 9, "2000"), *HIGH[1:]), True),
        (2, ONE_BAD_SECTOR, False),
    ):
        seen = await replay.look(day, disk(rows, serial_number=""))
        assert find(seen, "disk Example HDD 4TB", "early signs", Condition).ok is ok


async def test_a_disk_that_is_gone_for_more_than_a_year_is_forgotten(replay: Replay) -> None:
    """The state does not grow with every disk that ever was plugged in."""
    await replay.look(0, disk(HIGH))
    await replay.look(401, disk(HEALTHY, serial_number="S2"))
    kept = await replay.host.probe()._state.read()
    assert list(kept.histories) == ["S2"]
