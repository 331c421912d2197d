"""Reads fans and voltages: Documentation/hwmon/sysfs-interface.rst. Not here: what is a fault (hardware.py)."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from watchkeeper.probes.hardware.hwmon import device_of, listed, number, text
from watchkeeper.probes.support.sanitize import clip

SENSORS_LIMIT = 256

SORTS = {"fan": "fan", "in": "voltage"}
"""What the names of their files begin with."""


@dataclass(frozen=True, slots=True)
class Sensor:
    """A fan (turns a minute) or a voltage (thousandths of a volt). name: with its sort, chip, device and label.

    value: None if it cannot be read. least: the lower limit that the chip has; 0 for none. alarms: what the chip itself
    reports, such as "min_alarm" or "fault".
    """

    name: str
    sort: str
    value: int | None
    least: int = 0
    alarms: tuple[str, ...] = ()


def read_fans(folder: Path, wanted: Callable[[str], bool]) -> list[Sensor]:
    """The fans and voltages of every chip, by name: two with the same name count as the first one."""
    found: dict[str, Sensor] = {}
    for chip in listed(folder, "hwmon*"):
        for each in _chip(chip, wanted):
            if len(found) < SENSORS_LIMIT:
                found.setdefault(each.name, each)
    return list(found.values())


def _chip(chip: Path, wanted: Callable[[str], bool]) -> Iterator[Sensor]:
    where = [text(chip / "name") or chip.name, device_of(chip)]
    names = sorted(path.name for path in chip.glob("*_*"))
    for start, sort in SORTS.items():
        for prefix in _prefixes(names, start):
            label = text(chip / f"{prefix}_label") or prefix
            name = f"{sort} {clip(' '.join(filter(None, (*where, label))))}"
            if wanted(name):
                mine = [each.removeprefix(f"{prefix}_") for each in names if each.startswith(f"{prefix}_")]
                yield _sensor(chip / prefix, name, sort, mine)


def _sensor(start: Path, name: str, sort: str, files: list[str]) -> Sensor:
    """Read the files of one sensor. start: what their names begin with."""
    alarms = [each for each in files if each.endswith("alarm") or each == "fault"]
    raised = tuple(each for each in alarms if text(Path(f"{start}_{each}")) == "1")
    least = number(Path(f"{start}_min")) if sort == "fan" else None
    return Sensor(name, sort, number(Path(f"{start}_input")), least or 0, raised)


def _prefixes(names: list[str], start: str) -> list[str]:
    """fan1, fan2 and so on: of what has a reading, or only an alarm (a board that only says "undervoltage")."""
    prefixes = {each.partition("_")[0] for each in names if each.endswith(("_input", "alarm", "_fault"))}
    return sorted(
        (each for each in prefixes if each.startswith(start) and each.removeprefix(start).isdecimal()),
        key=lambda each: int(each.removeprefix(start)),
    )
