"""Parses what `smartctl --json` reports about one disk into a record. Pure. Not here: running it, judging the disk.

The exit status is a set of bits, smartctl(8): each has its own meaning, and not every one is a current fault.
"""

import json
from dataclasses import dataclass
from enum import IntFlag

from watchkeeper.probes.storage.smart.counters import Counter, read_counters
from watchkeeper.probes.storage.smart.fields import Report, number, statistics, table, tables, text, whole
from watchkeeper.probes.storage.smart.self_tests import SelfTests, read_self_tests

SLEEPS = 3
"""The exit status requested for a sleeping disk (--nocheck=standby,3): no other case sets both of these bits."""


class Status(IntFlag):
    """Bits of smartctl's exit status, as its manual describes them."""

    USAGE = 1  # the command line did not parse
    OPEN_FAILED = 2  # open or identify failed
    COMMAND_FAILED = 4  # some command to the disk failed, or a checksum did not match
    FAILING = 8  # SMART status says that the disk is failing
    PREFAIL = 16  # a prefail attribute is at or below its threshold
    PAST = 32  # SMART status is OK, but an attribute was at or below its threshold at some time
    ERROR_LOG = 64  # the error log has entries, however old
    SELF_TEST_LOG = 128  # the self-test log has failures, and no later test has passed


NVME_WARNINGS = {
    1: "its spare space has fallen below the threshold",
    2: "its temperature is outside its limits",
    4: "it is no longer reliable",
    8: "it has become read-only",
    16: "its volatile memory is no longer backed up",
    32: "its persistent memory has become read-only",
}
"""Bits of the critical warning: NVM Express base specification, SMART / Health Information."""

_WEAR = "Percentage Used Endurance Indicator"
"""Its name in the device statistics of a SATA SSD: ACS-4, solid state device statistics."""

_HOT = "Specified Maximum Operating Temperature"
"""The same: ACS-4, temperature statistics."""

HOT_FROM_C, HOT_TO_C = 40.0, 110.0
"""A limit outside of this is a field that the disk has not filled."""

_LIFE_LEFT = frozenset(
    {
        "Drive_Life_Remaining",
        "DriveLife_Remaining",
        "Lifetime_Left",
        "Lifetime_Remaining",
        "Media_Wearout_Indicator",
        "PCT_Life_Remaining",
        "Perc_Rated_Life_Remain",
        "Perc_Rated_Life_Used",
        "Percent_Life_Remaining",
        "Percent_Lifetime_Remain",
        "Percent_Lifetime_Used",
        "Remaining_Life",
        "Remaining_Lifetime_Perc",
        "SSD_Life_Left",
        "SSD_Life_Left_Perc",
        "SSD_LifeLeft",
        "Wear_Leveling_Count",
    }
)
"""Names in the drive database of smartmontools 7.3 for the endurance of a SATA SSD. Their normalised value is the share
that is left, in percent, also where the raw value is the share that is used."""


@dataclass(frozen=True, slots=True)
class Disk:
    """What one disk reports. wear_share: used part of its rated endurance, 0 to 1 and beyond; None if not reported.

    passed: its own verdict; None if it gives none. warnings: NVMe's own.
    spare_used_share: used part of an NVMe's spare blocks above the threshold at which it warns.
    hot_c: the highest temperature for which it is made, if it says so; above it, it is too hot.
    rotates: None where the report does not say so, as for NVMe. self_tests: None if it keeps no log of them.
    """

    model: str
    serial: str
    status: Status
    passed: bool | None
    wear_share: float | None
    temperature_c: float | None
    power_on_h: int | None
    warnings: tuple[str, ...] = ()
    counters: tuple[Counter, ...] = ()
    messages: tuple[str, ...] = ()
    spare_used_share: float | None = None
    hot_c: float | None = None
    rotates: bool | None = None
    self_tests: SelfTests | None = None

    @property
    def known(self) -> bool:
        """Whether the disk answered at all."""
        return bool(self.model or self.serial or self.passed is not None)


def read_disk(printed: str, status: int) -> Disk:
    """Read smartctl's JSON. Raises ValueError if the text is not that."""
    said = json.loads(printed)
    if not isinstance(said, dict):
        raise ValueError("not an object")  # noqa: TRY004  one error for everything that does not fit
    health = table(said, "nvme_smart_health_information_log")
    passed = table(said, "smart_status").get("passed")
    return Disk(
        model=text(said.get("model_name") or said.get("scsi_model_name")),
        serial=text(said.get("serial_number")),
        status=Status(status & 0xFF),
        passed=passed if isinstance(passed, bool) else None,
        wear_share=_wear(said, health),
        temperature_c=number(table(said, "temperature").get("current")),
        power_on_h=whole(table(said, "power_on_time").get("hours")),
        warnings=_warnings(health),
        counters=read_counters(said),
        messages=tuple(text(each.get("string")) for each in tables(table(said, "smartctl").get("messages"))),
        spare_used_share=_spare(health),
        hot_c=_hot(said),
        rotates=rate > 0 if (rate := number(said.get("rotation_rate"))) is not None else None,
        self_tests=read_self_tests(said),
    )


def _wear(said: Report, health: Report) -> float | None:
    """NVMe, SAS and SATA each report the figure in a different place; it is a percentage in all of them."""
    places = (
        health.get("percentage_used"),
        said.get("scsi_percentage_used_endurance_indicator"),
        table(said, "endurance_used").get("current_percent"),
        statistics(said).get(_WEAR),
        _life_used(said),
    )
    found = next((share for place in places if (share := number(place)) is not None), None)
    return None if found is None else found / 100


def _life_used(said: Report) -> float | None:
    """The used endurance in percent from the manufacturer's attribute, if the drive database knows the model."""
    if said.get("in_smartctl_database") is not True or number(said.get("rotation_rate")):
        return None
    for row in tables(table(said, "ata_smart_attributes").get("table")):
        left = whole(row.get("value"))
        if text(row.get("name")) in _LIFE_LEFT and left is not None and 0 < left <= 100:
            return 100.0 - left
    return None


def _spare(health: Report) -> float | None:
    """NVM Express: spare blocks left, and the threshold of the warning, both in percent.

    A disk of QEMU, which has no such blocks, fills in 0 for both.
    """
    left, limit = number(health.get("available_spare")), number(health.get("available_spare_threshold"))
    if left is None or limit is None or not 0 <= limit < 100 or left == limit == 0:
        return None
    return min(max((100 - left) / (100 - limit), 0.0), 1.0)


def _hot(said: Report) -> float | None:
    """SATA has it in two logs, SAS as the temperature at which the disk trips; anything else is not believed."""
    places = (
        statistics(said).get(_HOT),
        number(table(said, "temperature").get("op_limit_max")),
        number(table(said, "temperature").get("drive_trip")),
    )
    return next((each for each in places if each is not None and HOT_FROM_C <= each <= HOT_TO_C), None)


def _warnings(health: Report) -> tuple[str, ...]:
    bits = whole(health.get("critical_warning")) or 0
    return tuple(words for bit, words in NVME_WARNINGS.items() if bits & bit)
