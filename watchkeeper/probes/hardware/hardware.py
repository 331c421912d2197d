"""Errors of memory modules, of the PCI Express bus and of processors; throttling; fans and voltages.

What the kernel counts are sums since the boot, so it is their growth that is judged. A fan may be made to stand still,
and a chip may report an alarm for an input that is not connected: only what was once otherwise is a fault. Not here:
temperatures (host/temperatures.py), what the kernel says about hardware (host/kernel_log.py).
"""

from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ToolMissing
from watchkeeper.model.observation import Condition, Facts, Observation, SeriesKey
from watchkeeper.model.units import DAY_S, HOUR_S
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.hardware import error_counts
from watchkeeper.probes.hardware.error_counts import AER, MemoryController
from watchkeeper.probes.hardware.fans import Sensor, read_fans
from watchkeeper.probes.support.growth import Growth
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.state import ProbeState, StateModel

CORRECTED_LEAST = 3
"""Corrected errors of memory within a day: one may be a particle of radiation. Our own choice."""

PCI_LEAST = {"correctable": 100, "nonfatal": 1, "fatal": 1}
"""Errors of one device within an hour: what was corrected was sent again, and a few are usual. Our own choice."""

THROTTLED_LEAST = 10
"""Times within an hour: a short peak of load is none. Our own choice."""

LEARNED_S = 7 * DAY_S
"""A fan that never stood still for so long is one that must turn."""

_PCI_NAMED = 3


class HardwareSettings(ProbeSettings):
    """Errors of ECC memory, PCI Express and processors, throttling, fans and voltages."""

    kind: Literal["hardware"] = "hardware"
    every: Duration = Field(300.0, description="time between runs")
    timeout: Duration = Field(10.0, description="time after which a run is abandoned")
    exclude: tuple[str, ...] = Field((), description="fans and voltages that are not monitored; globs of their names")


class SensorHistory(BaseModel):
    """What a fan or a voltage was. quiet: whether the chip once reported no alarm. turns_since_s: when it was first
    seen turning, in seconds since 1970; 0 before. stops: whether it stood still while that was learned.
    """

    model_config = ConfigDict(frozen=True)

    quiet: bool = False
    turns_since_s: float = 0.0
    stops: bool = False

    def with_look(self, seen: Sensor, now_s: float) -> "SensorHistory":
        """After another look."""
        since_s = self.turns_since_s or (now_s if seen.value else 0.0)
        learning = not since_s or now_s - since_s < LEARNED_S
        return SensorHistory(
            quiet=self.quiet or not seen.alarms,
            turns_since_s=since_s,
            stops=self.stops or (learning and seen.value == 0),
        )

    def must_turn(self, now_s: float) -> bool:
        """Whether standing still is a fault."""
        return bool(self.turns_since_s) and not self.stops and now_s - self.turns_since_s >= LEARNED_S


class HardwareState(StateModel):
    """What is kept across restarts, by the sensor's name."""

    sensors: Mapping[str, SensorHistory] = Field(default_factory=dict)


class _Look(NamedTuple):
    memory: Sequence[MemoryController]
    pci: Mapping[str, tuple[int, int, int]]
    checks: int | None
    throttled: int | None
    sensors: Sequence[Sensor]


class HardwareProbe(BaseProbe):
    """Monitors what the kernel shows of the hardware."""

    def __init__(self, settings: HardwareSettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /sys and /proc, for tests."""
        self._settings, self._bench, self._root = settings, bench, root
        self._state = ProbeState(bench.probe_states, settings.label, HardwareState())
        self._growth: dict[str, Growth] = {}

    async def observe(self) -> Sequence[Observation]:
        """Read the kernel's files. Raises ToolMissing if it shows nothing of the hardware."""
        look = await self._bench.workers.call("hardware", self._look, self._settings.timeout)
        now_s = self._bench.clock.now().timestamp()
        known = (await self._state.read()).sensors
        there = {each.name: known.get(each.name, SensorHistory()).with_look(each, now_s) for each in look.sensors}
        histories = {**known, **there}
        await self._state.write(HardwareState(sensors=histories))
        seen = [*self._errors(look, now_s), *self._sensors(look.sensors, histories, now_s)]
        if not seen:
            raise ToolMissing("the kernel shows no hardware to monitor here (EDAC, AER, fans); remove this probe")
        return seen

    def _look(self) -> _Look:
        return _Look(
            error_counts.memory_controllers(self._root),
            error_counts.pci_errors(self._root),
            error_counts.machine_checks(self._root),
            error_counts.throttled(self._root),
            read_fans(self._root / "sys/class/hwmon", self._wanted),
        )

    def _wanted(self, name: str) -> bool:
        return not any(fnmatchcase(name, each) for each in self._settings.exclude)

    def _rise(self, name: str, span_s: float, now_s: float, *counts: int) -> tuple[int, ...]:
        return self._growth.setdefault(name, Growth(span_s)).add(now_s, counts)

    def _errors(self, look: _Look, now_s: float) -> list[Observation]:
        """Only of what this machine counts."""
        seen: list[Observation] = []
        if look.memory:
            seen.append(self._memory(look.memory, now_s))
        if look.pci:
            seen.append(self._pci(look.pci, now_s))
        if look.checks is not None:
            (rise,) = self._rise("checks", DAY_S, now_s, look.checks)
            reason = f"{_counted(rise, 'machine check')} within a day: the hardware could not correct an error"
            seen.append(_condition("processor errors", reason if rise else "", since_boot=look.checks))
        if look.throttled is not None:
            (rise,) = self._rise("throttled", HOUR_S, now_s, look.throttled)
            reason = f"the processor was slowed down {rise} times within an hour because it was hot"
            many = rise >= THROTTLED_LEAST
            seen.append(_condition("throttling", reason if many else "", since_boot=look.throttled))
        return seen

    def _memory(self, controllers: Sequence[MemoryController], now_s: float) -> Condition:
        """Uncorrected errors since the boot, and corrected ones of the last day."""
        corrected = sum(each.corrected for each in controllers)
        uncorrected = sum(each.uncorrected for each in controllers)
        (rise,) = self._rise("memory", DAY_S, now_s, corrected)
        modules = ", ".join(dict.fromkeys(label for each in controllers for label in each.modules))
        parts = []
        if uncorrected:
            parts.append(f"{_counted(uncorrected, 'error')} since the boot that could not be corrected")
        if rise >= CORRECTED_LEAST:
            parts.append(f"{rise} corrected errors within a day")
        reason = "; ".join(parts) + (f", in {modules}" if parts and modules else "")
        facts: Facts = (("corrected since the boot", str(corrected)), ("not corrected", str(uncorrected)))
        return Condition(SeriesKey("host", "memory errors"), not parts, reason, grave=bool(uncorrected), facts=facts)

    def _pci(self, devices: Mapping[str, tuple[int, int, int]], now_s: float) -> Condition:
        """The devices with the most errors of the last hour."""
        parts = []
        for address, counts in sorted(devices.items()):
            for sort, rise in zip(AER, self._rise(f"pci {address}", HOUR_S, now_s, *counts), strict=True):
                if rise >= PCI_LEAST[sort]:
                    words = {"correctable": "corrected", "nonfatal": "not fatal"}.get(sort, sort)
                    parts.append(f"{address}: {_counted(rise, 'error')} within an hour, {words}")
        more = f" and {len(parts) - _PCI_NAMED} more" if len(parts) > _PCI_NAMED else ""
        total = sum(sum(each) for each in devices.values())
        return _condition("PCI Express errors", "; ".join(parts[:_PCI_NAMED]) + more, since_boot=total)

    def _sensors(
        self, sensors: Sequence[Sensor], histories: Mapping[str, SensorHistory], now_s: float
    ) -> list[Observation]:
        """Fans and voltages. One that was never quiet is not judged: nothing may be connected to it."""
        found = {each.name: each for each in sensors}
        judged = {name: each for name, each in histories.items() if each.quiet and self._wanted(name)}
        return [_sensor(name, found.get(name), each, now_s) for name, each in judged.items()]


def _condition(quantity: str, reason: str, *, since_boot: int) -> Condition:
    return Condition(SeriesKey("host", quantity), not reason, reason, facts=(("since the boot", str(since_boot)),))


def _sensor(name: str, seen: Sensor | None, history: SensorHistory, now_s: float) -> Condition:
    key = SeriesKey(printable(name), "reading")
    if seen is None:
        return Condition(key, ok=False, reason="the sensor is missing")
    parts = [f"the chip reports {each.replace('_', ' ')}" for each in seen.alarms]
    facts: Facts = ()
    if seen.value is not None:
        fan = seen.sort == "fan"
        facts = (("now", f"{seen.value} turns a minute" if fan else f"{seen.value / 1000:.2f} V"),)
        if fan and seen.value == 0 and history.must_turn(now_s):
            parts.append("it stands still")
        elif fan and 0 < seen.value < seen.least:
            parts.append(f"{seen.value} turns a minute, the limit is {seen.least}")
    return Condition(key, not parts, "; ".join(parts), facts=facts)


def _counted(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"
