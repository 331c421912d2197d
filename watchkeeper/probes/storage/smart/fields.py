"""Members of smartctl's JSON, each with the type that it must have: another type counts as missing. Pure."""

from collections.abc import Mapping
from typing import Any

Report = Mapping[str, Any]

LARGEST = 2**64
"""Counters of ATA and SCSI have 64 bits. Those of NVMe have 128, and no disk lives to fill 64."""


def table(said: Report, name: str) -> Report:
    """An object; empty if it is missing."""
    found = said.get(name)
    return found if isinstance(found, dict) else {}


def tables(found: object) -> list[Report]:
    """The objects of an array."""
    return [each for each in found if isinstance(each, dict)] if isinstance(found, list) else []


def text(found: object) -> str:
    """A text without the blanks around it; empty if it is missing."""
    return found.strip() if isinstance(found, str) else ""


def number(found: object) -> float | None:
    """A number; None if it is missing, or endless: JSON of any length is a number in Python."""
    if isinstance(found, bool) or not isinstance(found, int | float) or not abs(found) < LARGEST:
        return None
    return float(found)


def whole(found: object) -> int | None:
    """A whole number; None if it is missing, or larger than any counter of a disk."""
    if isinstance(found, bool) or not isinstance(found, int) or abs(found) >= LARGEST:
        return None
    return found


def statistics(said: Report) -> dict[str, float]:
    """The device statistics of a SATA disk that it marks as valid, by the names that ACS-4 gives them."""
    return {
        text(row.get("name")): value
        for page in tables(table(said, "ata_device_statistics").get("pages"))
        for row in tables(page.get("table"))
        if table(row, "flags").get("valid") is not False and (value := number(row.get("value"))) is not None
    }
