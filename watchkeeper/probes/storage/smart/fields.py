"""Members of smartctl's JSON, each with the type that it must have: another type counts as missing. Pure."""

from collections.abc import Mapping
from typing import Any

Report = Mapping[str, Any]


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
    """A number; None if it is missing. JSON of any length is an int in Python, and may not fit."""
    try:
        return float(found) if isinstance(found, int | float) and not isinstance(found, bool) else None
    except OverflowError:
        return None


def whole(found: object) -> int | None:
    """A whole number; None if it is missing."""
    return found if isinstance(found, int) and not isinstance(found, bool) else None


def statistics(said: Report) -> dict[str, float]:
    """The device statistics of a SATA disk that it marks as valid, by the names that ACS-4 gives them."""
    return {
        text(row.get("name")): value
        for page in tables(table(said, "ata_device_statistics").get("pages"))
        for row in tables(page.get("table"))
        if table(row, "flags").get("valid") is not False and (value := number(row.get("value"))) is not None
    }
