"""Parses what `smartctl --json` reports about one disk into a record. Pure. Not here: running it, judging the disk.

The exit status is a set of bits, smartctl(8): each has its own meaning, and not every one is a current fault.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntFlag
from typing import Any

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

_SHOWN_ATTRIBUTES = {5: "reallocated sectors", 197: "pending sectors", 198: "unreadable sectors"}
"""By id; manufacturers count these consistently enough to show them, but not enough to judge by them."""


@dataclass(frozen=True, slots=True)
class Disk:
    """What one disk reports. wear_share: used part of its rated endurance, 0 to 1 and beyond; None if not reported.

    passed: its own verdict; None if it gives none. warnings: NVMe's own.
    """

    model: str
    serial: str
    status: Status
    passed: bool | None
    wear_share: float | None
    temperature_c: float | None
    power_on_h: int | None
    warnings: tuple[str, ...] = ()
    counts: tuple[tuple[str, int], ...] = ()
    messages: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """Whether the disk answered at all."""
        return bool(self.model or self.serial or self.passed is not None)


def read_disk(text: str, status: int) -> Disk:
    """Read smartctl's JSON. Raises ValueError if the text is not that."""
    said = json.loads(text)
    if not isinstance(said, dict):
        raise ValueError("not an object")  # noqa: TRY004  one error for everything that does not fit
    health = _table(said, "nvme_smart_health_information_log")
    passed = _table(said, "smart_status").get("passed")
    return Disk(
        model=_text(said.get("model_name") or said.get("scsi_model_name")),
        serial=_text(said.get("serial_number")),
        status=Status(status & 0xFF),
        passed=passed if isinstance(passed, bool) else None,
        wear_share=_wear(said, health),
        temperature_c=_number(_table(said, "temperature").get("current")),
        power_on_h=_whole(_table(said, "power_on_time").get("hours")),
        warnings=_warnings(health),
        counts=_counts(said, health),
        messages=tuple(_text(each.get("string")) for each in _tables(_table(said, "smartctl").get("messages"))),
    )


def _table(said: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = said.get(name)
    return found if isinstance(found, dict) else {}


def _tables(found: object) -> list[Mapping[str, Any]]:
    return [each for each in found if isinstance(each, dict)] if isinstance(found, list) else []


def _text(found: object) -> str:
    return found.strip() if isinstance(found, str) else ""


def _number(found: object) -> float | None:
    return float(found) if isinstance(found, int | float) and not isinstance(found, bool) else None


def _whole(found: object) -> int | None:
    return found if isinstance(found, int) and not isinstance(found, bool) else None


def _wear(said: Mapping[str, Any], health: Mapping[str, Any]) -> float | None:
    """NVMe, SAS and SATA each report the figure in a different place; it is a percentage in all of them."""
    statistics = (
        row.get("value")
        for page in _tables(_table(said, "ata_device_statistics").get("pages"))
        for row in _tables(page.get("table"))
        if row.get("name") == _WEAR and _table(row, "flags").get("valid") is not False
    )
    places = (
        health.get("percentage_used"),
        said.get("scsi_percentage_used_endurance_indicator"),
        _table(said, "endurance_used").get("current_percent"),
        *statistics,
    )
    found = next((number for place in places if (number := _number(place)) is not None), None)
    return None if found is None else found / 100


def _warnings(health: Mapping[str, Any]) -> tuple[str, ...]:
    bits = _whole(health.get("critical_warning")) or 0
    return tuple(words for bit, words in NVME_WARNINGS.items() if bits & bit)


def _counts(said: Mapping[str, Any], health: Mapping[str, Any]) -> tuple[tuple[str, int], ...]:
    """Counts that are worth showing if they are not 0."""
    found = {"media errors": _whole(health.get("media_errors")) or 0}
    for row in _tables(_table(said, "ata_smart_attributes").get("table")):
        name = _SHOWN_ATTRIBUTES.get(_whole(row.get("id")) or 0)
        if name:
            found[name] = _whole(_table(row, "raw").get("value")) or 0
    return tuple((name, count) for name, count in found.items() if count)
