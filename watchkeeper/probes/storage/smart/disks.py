"""The health that disks report themselves, what their counters foretell, and what is used of an SSD. Needs the helper.

A sleeping disk is not woken: its last known state is reported. smartctl's output is parsed in report.py, counters are
judged in signs.py.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from watchkeeper.config.types import Duration, Limit
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import (
    Condition,
    Deadline,
    Facts,
    Level,
    Observation,
    Observed,
    SeriesKey,
    Unit,
    Unseen,
)
from watchkeeper.model.units import DAY_S, HOUR_S
from watchkeeper.privileged.commands import Result
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.storage.smart.report import SLEEPS, Disk, Status, read_disk
from watchkeeper.probes.storage.smart.self_tests import age_h
from watchkeeper.probes.storage.smart.signs import CounterHistories, observe_signs
from watchkeeper.probes.support.boot import boot_of
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, sight, text_of

ANY_STATUS = range(256)
"""smartctl's exit status is a set of bits: its output is read with any of them."""


class SmartSettings(RootsideSettings):
    """Disks: their SMART health, growing error counters, self-tests, temperature, an SSD's endurance. Needs the
    helper.
    """

    kind: Literal["smart"] = "smart"
    every: Duration = Field(1800.0, description="time between runs")
    exclude: tuple[str, ...] = Field(
        (), description="disks that are not monitored; globs of /dev/..., models or serial numbers"
    )
    short_test_limit: Limit = Field(
        35 * DAY_S, description='maximum time from one short or extended self-test to the next, or "never"'
    )
    extended_test_limit: Limit = Field(
        100 * DAY_S, description='maximum time from one extended self-test to the next, or "never"'
    )
    hot_limit: float | None = Field(
        None,
        ge=20,
        le=120,
        description="temperature in °C above which a disk is too hot; without it, what the disk itself is made for",
    )


HOT_C = {True: 60.0, False: 70.0}
"""For a disk that rotates or not and does not name its own limit: the usual highest temperature in data sheets. An NVMe
warns by itself, at a limit of its own."""

COOLER_C = 3.0
"""A disk that was too hot is so until it is so much cooler: its sensor has whole degrees."""

OLDEST_H = 40 * 8766
"""Hours of operation: forty years. What is older was never counted by a disk, but by a fault of its firmware."""

FORGOTTEN_S = 400 * DAY_S
"""The history of a disk that was not seen for so long is dropped: one that is attached once a year keeps it."""


class DiskHistory(BaseModel):
    """What is kept of one disk, by its serial number. Times are in seconds since 1970.

    tests: of each sort of self-test, the hour of operation at which the last one ended, and when that was.
    """

    model_config = ConfigDict(frozen=True)

    first_seen_s: float
    seen_s: float
    histories: CounterHistories = CounterHistories()
    tests: Mapping[str, tuple[int, float]] = Field(default_factory=dict)


class Disks(StateModel):
    """What is kept across restarts: the last report of each disk, by its device name, which is valid until the host
    reboots (boot_id). Without it, a disk that keeps sleeping would count as not reporting. The histories are valid
    longer: they are kept by serial number.
    """

    boot_id: str = ""
    known: dict[str, Disk] = Field(default_factory=dict)
    histories: dict[str, DiskHistory] = Field(default_factory=dict)


class SmartProbe(BaseProbe):
    """Monitors every disk that smartctl finds."""

    def __init__(self, settings: SmartSettings, bench: ProbeContext, proc: Path = Path("/proc")) -> None:
        self._settings = settings
        self._bench = bench
        self._proc = proc
        self._state = ProbeState(bench.probe_states, settings.label, Disks())
        self._known: dict[str, Disk] = {}
        self._histories: dict[str, DiskHistory] = {}
        self._hot: set[str] = set()

    async def observe(self) -> Sequence[Observed]:
        """Query every disk that is awake. Raises ProbeError if there is no disk, or none can be queried."""
        settings = self._settings
        results = await ask_root(self._bench, "disks", settings.helper, settings.timeout)
        if not results:
            raise ProbeError("smartctl finds no disk; remove this probe if there is none")
        await self._recall()
        troubles: list[ProbeError] = []
        seen: list[Observed] = []
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
        self._histories = dict(noted.histories)
        if noted.boot_id == self._boot():
            self._known = {**noted.known, **self._known}

    async def _note(self) -> None:
        old_s = self._now_s() - FORGOTTEN_S
        kept = {serial: each for serial, each in self._histories.items() if each.seen_s > old_s}
        await self._state.write(Disks(boot_id=self._boot(), known=self._known, histories=kept))

    def _now_s(self) -> float:
        return self._bench.clock.now().timestamp()

    def _disk(self, result: Result) -> list[Observed]:
        """What one disk reports. Raises ProbeError if there is no usable report."""
        name, settings = result.target, self._settings
        if _like(settings.exclude, name):
            return []
        text = text_of(result.ran, "smartctl", settings.timeout, ends_well=ANY_STATUS)
        asleep = result.ran.status == SLEEPS
        if asleep:
            # A disk that slept from the start is not woken: nothing is known about it yet.
            known = self._known.get(name)
        else:
            known = self._known[name] = _read(name, text, result.ran.status or 0)
        if not known or _like(settings.exclude, known.model, known.serial):
            return []
        history = self._history(known, asleep=asleep)
        return self._observations(name, known, history, asleep=asleep)

    def _history(self, disk: Disk, *, asleep: bool) -> DiskHistory | None:
        """The history of a disk, with what it reports now; None for one that cannot be told from others."""
        if not disk.serial:
            return None
        now_s = self._now_s()
        kept = self._histories.get(disk.serial) or DiskHistory(first_seen_s=now_s, seen_s=now_s)
        if not asleep:
            kept = kept.model_copy(
                update={
                    "seen_s": now_s,
                    "histories": kept.histories.with_counters(disk.counters, now_s),
                    "tests": _tests(disk, kept.tests, now_s),
                }
            )
        self._histories[disk.serial] = kept
        return kept

    def _observations(self, name: str, disk: Disk, history: DiskHistory | None, *, asleep: bool) -> list[Observed]:
        # By model and serial number: names such as sda may move to another disk at a reboot.
        subject = f"disk {printable(' '.join(filter(None, (disk.model, disk.serial))) or name)}"
        facts = _facts(name, disk, asleep=asleep)
        reason = _verdict(disk)
        grave = disk.passed is False or bool(Status.FAILING & disk.status)
        seen: list[Observed] = [Condition(SeriesKey(subject, "health"), not reason, reason, grave, facts)]
        if disk.wear_share is not None:
            seen.append(Level(SeriesKey(subject, "endurance"), disk.wear_share, 1.0, Unit.SHARE, facts))
        if disk.spare_used_share is not None:
            seen.append(Level(SeriesKey(subject, "spare blocks"), disk.spare_used_share, 1.0, Unit.SHARE, facts))
        seen += self._heat(subject, disk, facts, asleep=asleep)
        kept = history.histories if history else CounterHistories()
        seen += observe_signs(subject, disk.counters, kept, self._now_s(), facts)
        if unknown := [each.name for each in disk.counters if not each.judged]:
            seen.append(Unseen(f"{subject}: {', '.join(unknown)}", NOT_JUDGED))
        return seen + (self._self_tests(subject, disk, history) if history else [])

    def _heat(self, subject: str, disk: Disk, facts: Facts, *, asleep: bool) -> list[Observation]:
        """Whether it is too hot; nothing for one that is not known to have a limit. One that sleeps cools down."""
        limit_c = self._settings.hot_limit or disk.hot_c or (HOT_C[disk.rotates] if disk.rotates is not None else None)
        if disk.temperature_c is None or limit_c is None:
            return []
        hot = not asleep and disk.temperature_c > (limit_c - COOLER_C if subject in self._hot else limit_c)
        (self._hot.add if hot else self._hot.discard)(subject)
        reason = f"{disk.temperature_c:.0f} °C, the limit is {limit_c:.0f} °C" if hot else ""
        return [Condition(SeriesKey(subject, "heat"), not hot, reason, facts=facts)]

    def _self_tests(self, subject: str, disk: Disk, history: DiskHistory) -> list[Observation]:
        """When the next ones are due; counted from when the disk was first seen if none is known."""
        if disk.self_tests is None:
            return []
        limits = ((SHORT, self._settings.short_test_limit), (EXTENDED, self._settings.extended_test_limit))
        return [_due(subject, sort, limit, history) for sort, limit in limits if limit is not None]


SHORT, EXTENDED = "short self-test", "extended self-test"

NOT_JUDGED = (
    "smartctl's drive database does not know this model or its form, so the values are shown and not judged;"
    " `sudo update-smart-drivedb` may add it"
)


def _due(subject: str, sort: str, limit_s: float, history: DiskHistory) -> Deadline:
    last_s = history.tests[sort][1] if sort in history.tests else None
    due_at = datetime.fromtimestamp((history.first_seen_s if last_s is None else last_s) + limit_s, UTC)
    if last_s is None:
        return Deadline(SeriesKey(subject, sort), due_at, None, limit_s, (("last test", "none in the disk's log"),))
    return Deadline(SeriesKey(subject, sort), due_at, datetime.fromtimestamp(last_s, UTC), limit_s)


def _tests(disk: Disk, before: Mapping[str, tuple[int, float]], now_s: float) -> Mapping[str, tuple[int, float]]:
    """When the last tests were. The time of one that is known already stays: hours of operation are not time."""
    tests, powered_on_h = disk.self_tests, disk.power_on_h
    if tests is None or powered_on_h is None:
        return before
    after = dict(before)
    for sort, hour in ((SHORT, tests.short_h), (EXTENDED, tests.extended_h)):
        if hour is None or (sort in before and before[sort][0] == hour):
            continue
        age = age_h(powered_on_h, hour, wraps=tests.wraps)
        if age < OLDEST_H:
            after[sort] = (hour, now_s - HOUR_S * age)
    return after


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
    facts += tuple((each.name, str(each.value)) for each in disk.counters if each.value)
    if Status.ERROR_LOG & disk.status:
        facts += (("error log", "has entries, possibly old"),)
    return facts
