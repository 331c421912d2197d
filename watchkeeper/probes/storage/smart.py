"""The health that disks report themselves, and how much of an SSD's endurance is used. It needs root: the helper.

A sleeping disk is not woken: its last known state is reported. smartctl's output is parsed in smart_report.py.
"""

from collections.abc import Iterable, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal

from pydantic import Field

from watchkeeper.config.types import Duration
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Facts, Level, Observation, SeriesKey, Unit
from watchkeeper.privileged.commands import Result
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.storage.smart_report import SLEEPS, Disk, Status, read_disk
from watchkeeper.probes.support.boot import boot_of
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, sight, text_of

ANY_STATUS = range(256)
"""smartctl's exit status is a set of bits: its output is read with any of them."""


class SmartSettings(RootsideSettings):
    """Disks: their SMART health, failed self-tests, an SSD's endurance. Needs the helper."""

    kind: Literal["smart"] = "smart"
    every: Duration = Field(1800.0, description="time between runs")
    exclude: tuple[str, ...] = Field(
        (), description="disks that are not monitored; globs of /dev/..., models or serial numbers"
    )


class Disks(StateModel):
    """What is kept across restarts: the last report of each disk, by its device name, which is valid until the host
    reboots (boot_id). Without it, a disk that keeps sleeping would count as not reporting.
    """

    boot_id: str = ""
    known: dict[str, Disk] = Field(default_factory=dict)


class SmartProbe(BaseProbe):
    """Monitors every disk that smartctl finds."""

    def __init__(self, settings: SmartSettings, bench: ProbeContext, proc: Path = Path("/proc")) -> None:
        self._settings = settings
        self._bench = bench
        self._proc = proc
        self._state = ProbeState(bench.probe_states, settings.label, Disks())
        self._known: dict[str, Disk] = {}

    async def observe(self) -> Sequence[Observation]:
        """Query every disk that is awake. Raises ProbeError if there is no disk, or none can be queried."""
        settings = self._settings
        results = await ask_root(self._bench, "disks", settings.helper, settings.timeout)
        if not results:
            raise ProbeError("smartctl finds no disk; remove this probe if there is none")
        await self._recall()
        troubles: list[ProbeError] = []
        seen: list[Observation] = []
        for result in results:
            try:
                seen += self._disk(result)
            except ProbeError as error:
                troubles.append(error)
        await self._note()
        if troubles and not seen:
            raise troubles[0]
        return [sight(settings.label, troubles), *seen]

    def _boot(self) -> str:
        try:
            return boot_of(self._proc)
        except OSError:
            return ""

    async def _recall(self) -> None:
        noted = await self._state.read()
        if noted.boot_id == self._boot():
            self._known = {**noted.known, **self._known}

    async def _note(self) -> None:
        await self._state.write(Disks(boot_id=self._boot(), known=self._known))

    def _disk(self, result: Result) -> list[Observation]:
        """What one disk reports. Raises ProbeError if there is no usable report."""
        name, settings = result.target, self._settings
        if _like(settings.exclude, name):
            return []
        text = text_of(result.ran, "smartctl", settings.timeout, ends_well=ANY_STATUS)
        if result.ran.status == SLEEPS:
            # A disk that slept from the start is not woken: nothing is known about it yet.
            known = self._known.get(name)
            seen = _observations(name, known, asleep=True) if known else []
        else:
            known = self._known[name] = _read(name, text, result.ran.status or 0)
            seen = _observations(name, known, asleep=False)
        return [] if known and _like(settings.exclude, known.model, known.serial) else seen


def _like(globs: Iterable[str], *names: str) -> bool:
    return any(fnmatchcase(name, glob) for name in names for glob in globs)


def _read(name: str, text: str, status: int) -> Disk:
    try:
        disk = read_disk(text, status)
    except (ValueError, RecursionError) as error:
        raise ProbeError(f"smartctl did not print JSON about {clip(name)}") from error
    if not disk.known:
        said = f": {clip(disk.messages[0])}" if disk.messages else ""
        raise ProbeError(f"{clip(name)} reports nothing{said}; list it under exclude if it cannot")
    return disk


def _observations(name: str, disk: Disk, *, asleep: bool) -> list[Observation]:
    # By model and serial number: names such as sda may move to another disk at a reboot.
    subject = f"disk {printable(' '.join(filter(None, (disk.model, disk.serial))) or name)}"
    facts = _facts(name, disk, asleep=asleep)
    reason = _verdict(disk)
    grave = disk.passed is False or bool(Status.FAILING & disk.status)
    seen: list[Observation] = [Condition(SeriesKey(subject, "health"), not reason, reason, grave, facts)]
    if disk.wear_share is not None:
        seen.append(Level(SeriesKey(subject, "endurance"), disk.wear_share, 1.0, Unit.SHARE, facts))
    return seen


def _verdict(disk: Disk) -> str:
    """What is wrong now. Old entries of the error log, and an attribute that was once low, are not faults."""
    parts = []
    if disk.passed is False or Status.FAILING & disk.status:
        parts.append("the disk reports that it is failing: copy its data and replace it")
    elif Status.PREFAIL & disk.status:
        parts.append("an attribute that predicts failure is at its threshold: copy its data")
    if Status.SELF_TEST_LOG & disk.status:
        parts.append("a self-test failed, and none has passed since")
    return "; ".join([*parts, *disk.warnings])


def _facts(name: str, disk: Disk, *, asleep: bool) -> Facts:
    facts: Facts = (("device", clip(name)),)
    if asleep:
        facts += (("asleep", "these values are from when it was awake"),)
    if disk.temperature_c is not None:
        facts += (("temperature", f"{disk.temperature_c:.0f} °C"),)
    if disk.power_on_h is not None:
        facts += (("powered on", f"{disk.power_on_h} h"),)
    facts += tuple((name, str(count)) for name, count in disk.counts)
    if Status.ERROR_LOG & disk.status:
        facts += (("error log", "has entries, possibly old"),)
    return facts
