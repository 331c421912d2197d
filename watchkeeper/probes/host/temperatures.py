"""Temperatures against the limits that each sensor itself reports, from the kernel's hardware monitoring files.

The files: the kernel's Documentation/hwmon/sysfs-interface.rst; temperatures in thousandths of a degree Celsius.
Numbers such as hwmon3 change between boots, so a sensor is named by its chip, the chip's device and its label.
"""

import errno
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path
from typing import Literal

from pydantic import Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.model.observation import Condition, Facts, Observation, SeriesKey
from watchkeeper.os_errors import explained
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.hardware import hwmon
from watchkeeper.probes.support.sanitize import clip

SENSORS_LIMIT = 256

SANE_LIMIT_C = (20.0, 150.0)
"""Chips without a limit report 0, 127.9, -273.15 or 65261.85 (NVMe's 0xFFFF kelvin): not real limits."""

LARGEST_READING = 100_000_000
"""In thousandths of a degree. Far above what even a chip without a limit reports (65,261,850)."""


class TemperaturesSettings(ProbeSettings):
    """Temperatures, against the limits that the sensors report."""

    kind: Literal["temperatures"] = "temperatures"
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(10.0, description="time after which the sensors are reported as not answering")
    limits: dict[str, float] = Field(
        {}, max_length=100, description="your own limits, in degrees Celsius, by sensor or glob"
    )
    exclude: tuple[str, ...] = Field(
        ("drivetemp *",),
        description="sensors that are not read; globs. Reading drivetemp can keep a disk from going to sleep",
    )


@dataclass(frozen=True, slots=True)
class Sensor:
    """One sensor's readings, in degrees Celsius.

    name: such as `nvme nvme0 Composite`. now_c: None if it cannot be read, and `trouble` says why. high_c: its own
    upper limit. back_c: below this it counts as cool again. critical_c: the hardware stops or is damaged there.
    """

    name: str
    now_c: float | None
    high_c: float | None = None
    back_c: float | None = None
    critical_c: float | None = None
    trouble: str = ""


class TemperaturesProbe(BaseProbe):
    """Monitors every sensor that has a limit."""

    def __init__(self, settings: TemperaturesSettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        self._settings, self._workers = settings, bench.workers
        self._folder = root / "sys/class/hwmon"
        self._hot: set[str] = set()
        self._known: set[str] = set()

    async def observe(self) -> Sequence[Observation]:
        """Read every sensor, outside the event loop: a chip on a slow bus may take a while.

        Raises ToolMissing if there is no sensor at all.
        """
        work = partial(read_sensors, self._folder, self._settings.exclude)
        sensors = await self._workers.call("temperature sensors", work, self._settings.timeout)
        judged = [each for sensor in sensors if _has_limit(each := self._limited(sensor)) or sensor.name in self._known]
        if not sensors and not self._known:
            raise ToolMissing(
                f"{self._folder} shows no temperature sensor; load its driver (sensors-detect finds it), "
                "or remove this probe from the configuration"
            )
        gone = sorted(self._known - {sensor.name for sensor in judged})
        self._known |= {sensor.name for sensor in judged}
        return [*(self._condition(sensor) for sensor in judged), *(_gone(name) for name in gone)]

    def _limited(self, sensor: Sensor) -> Sensor:
        """The sensor with the operator's limit in place of its own, if there is one."""
        own = next((limit for glob, limit in self._settings.limits.items() if fnmatchcase(sensor.name, glob)), None)
        return sensor if own is None else replace(sensor, high_c=own, back_c=None)

    def _condition(self, sensor: Sensor) -> Condition:
        critical = sensor.now_c is not None and sensor.critical_c is not None and sensor.now_c >= sensor.critical_c
        reason = self._why_hot(sensor, critical=critical)
        return Condition(_key(sensor.name), not reason, reason, grave=critical, facts=_facts(sensor))

    def _why_hot(self, sensor: Sensor, *, critical: bool) -> str:
        """Why it is faulty; empty if OK. Once hot, it stays so until it is below the sensor's own hysteresis value."""
        if sensor.now_c is None:
            return sensor.trouble
        if critical:
            return f"{sensor.now_c:.0f} °C, critical limit {sensor.critical_c:.0f} °C"
        bound_c = sensor.high_c
        if sensor.name in self._hot and sensor.back_c is not None:
            bound_c = sensor.back_c
        if bound_c is None or sensor.now_c < bound_c:
            self._hot.discard(sensor.name)
            return ""
        self._hot.add(sensor.name)
        return f"{sensor.now_c:.0f} °C, limit {sensor.high_c:.0f} °C"


def read_sensors(folder: Path, exclude: Sequence[str]) -> list[Sensor]:
    """Every temperature sensor below the folder, by name. Sensors with the same name get a number."""
    found = [sensor for chip in hwmon.listed(folder, "hwmon*") for sensor in _read_chip(chip, exclude)]
    if len(found) > SENSORS_LIMIT:
        raise ProbeError(f"{folder} contains more than {SENSORS_LIMIT} temperature sensors; list some under exclude")
    counts: Counter[str] = Counter()
    named = []
    for sensor in found:
        counts[sensor.name] += 1
        number = counts[sensor.name]
        named.append(sensor if number == 1 else replace(sensor, name=f"{sensor.name} {number}"))
    return sorted(named, key=lambda sensor: sensor.name)


def sensor_names(folder: Path) -> list[str]:
    """The name of every temperature sensor below the folder; none of them is read."""
    return [name for chip in hwmon.listed(folder, "hwmon*") for _, name in _named(chip)]


def _named(chip: Path) -> Iterator[tuple[str, str]]:
    """What the files of each sensor of a chip begin with, and its name."""
    where = [hwmon.text(chip / "name") or chip.name, hwmon.device_of(chip)]
    for reading in hwmon.listed(chip, "temp*_input"):
        prefix = reading.name.removesuffix("_input")
        label = hwmon.text(chip / f"{prefix}_label") or prefix
        yield prefix, clip(" ".join(part for part in (*where, label) if part))


def _read_chip(chip: Path, exclude: Sequence[str]) -> Iterator[Sensor]:
    for prefix, name in _named(chip):
        # A sensor that is left out is not even read: reading it may wake the disk.
        if not any(fnmatchcase(name, glob) for glob in exclude):
            yield _read(chip, prefix, name)


def _read(chip: Path, prefix: str, name: str) -> Sensor:
    now_c, trouble = _degrees(chip / f"{prefix}_input")
    if hwmon.text(chip / f"{prefix}_fault") == "1":
        now_c, trouble = None, "the chip reports that this sensor is broken or not connected"
    limits = {kind: _limit(chip / f"{prefix}_{kind}") for kind in ("max", "max_hyst", "crit")}
    back_c = limits["max_hyst"]
    if back_c is not None and (limits["max"] is None or back_c >= limits["max"]):
        back_c = None
    return Sensor(name, now_c, limits["max"], back_c, limits["crit"], trouble)


def _limit(path: Path) -> float | None:
    degrees, _ = _degrees(path)
    least, most = SANE_LIMIT_C
    return degrees if degrees is not None and least <= degrees <= most else None


def _degrees(path: Path) -> tuple[float | None, str]:
    """Degrees, or None and the reason."""
    try:
        text = hwmon.read_file(path)
    except OSError as error:
        if error.errno in (errno.EAGAIN, errno.ENODATA):
            return None, "the sensor gives no reading now"
        return None, f"the sensor cannot be read: {explained(error)}"
    try:
        thousandths = int(text)
    except ValueError:
        thousandths = -LARGEST_READING
    if abs(thousandths) >= LARGEST_READING:
        return None, f'the sensor reports "{clip(text)}", which is not a temperature'
    return thousandths / 1000, ""


def _has_limit(sensor: Sensor) -> bool:
    return sensor.high_c is not None or sensor.critical_c is not None


def _key(name: str) -> SeriesKey:
    return SeriesKey(f"sensor {name}", "temperature")


def _gone(name: str) -> Condition:
    return Condition(_key(name), ok=False, reason="the sensor is missing")


def _facts(sensor: Sensor) -> Facts:
    named = (("now", sensor.now_c), ("limit", sensor.high_c), ("critical", sensor.critical_c))
    return tuple((word, f"{degrees:.0f} °C") for word, degrees in named if degrees is not None)
