"""Software RAID: which arrays lack a disk, which are rebuilding, which have stopped.

Read from the kernel's files under /sys/block/mdN/md, one value per file (admin-guide/md.rst), not from /proc/mdstat,
which has the same in a form for people. Any user may read them; no disk is accessed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Literal

from pydantic import Field

from watchkeeper.config.types import Duration, Limit, ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Deadline, Facts, Observation, SeriesKey
from watchkeeper.model.units import DAY_S, format_duration
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel

SYSFS = Path("/sys/block")

STOPPED = frozenset({"clear", "inactive", "broken", "suspended"})
"""States in which an array does no I/O: md.rst, array_state."""

WORK = {
    "recover": "rebuilding",
    "resync": "synchronising",
    "reshape": "reshaping",
    "repair": "repairing",
    "check": "checking",
}
"""sync_action, in words. A check is the scrub of an array, not a fault."""


CHECKING = frozenset({"check", "repair"})
"""sync_action while every sector is read and compared."""

PARITY = frozenset({"raid4", "raid5", "raid6"})
REDUNDANT = PARITY | {"raid1", "raid10"}

WRITTEN_EVERY_S = 1800.0
"""How precisely the end of a check is stored."""


class RaidSettings(ProbeSettings):
    """Software RAID (md): arrays that are degraded, rebuilding or stopped."""

    kind: Literal["raid"] = "raid"
    every: Duration = Field(60.0, description="time between runs")
    arrays: tuple[str, ...] = Field(
        (), description="arrays that must be there, such as md0; others that are found are monitored too"
    )
    check_limit: Limit = Field(40 * DAY_S, description='maximum time from one check to the next, or "never"')
    exclude: tuple[str, ...] = Field((), description="arrays that are not monitored, such as md127")


@dataclass(frozen=True, slots=True)
class Array:
    """One array. degraded: number of missing disks. done_share: progress of the current action, 0 to 1, or None.

    left_s: seconds until the action ends at its current speed. faulty: names of disks that it has marked as faulty.
    """

    name: str
    level: str
    state: str
    disks: int
    degraded: int
    action: str = "idle"
    done_share: float | None = None
    left_s: float | None = None
    faulty: tuple[str, ...] = ()
    mismatches: int = 0
    uuid: str = ""


def read_arrays(sysfs: Path) -> list[Array]:
    """Every array that the kernel has, ordered by name. One that is stopped meanwhile is skipped."""
    found = []
    for folder in sorted(sysfs.glob("md*/md")):
        try:
            found.append(_array(folder))
        except OSError:
            continue
    return found


def _array(folder: Path) -> Array:
    done, left_s = _progress(_text(folder, "sync_completed"), _number(folder, "sync_speed"))
    return Array(
        folder.parent.name,
        _text(folder, "level"),
        (folder / "array_state").read_text("ascii", "replace").strip(),
        _number(folder, "raid_disks"),
        _number(folder, "degraded"),
        _text(folder, "sync_action") or "idle",
        done,
        left_s,
        tuple(sorted(_faulty(folder))),
        _number(folder, "mismatch_cnt"),
        _text(folder, "uuid") or folder.parent.name,
    )


def _text(folder: Path, name: str) -> str:
    """A file's value; empty if this kind of array does not have it (raid0 and linear have no redundancy)."""
    try:
        return (folder / name).read_text("utf-8", "replace").strip()
    except OSError:
        return ""


def _number(folder: Path, name: str) -> int:
    # raid_disks reads `4 (3)` while an array is reshaped from three disks to four.
    first = _text(folder, name).partition(" ")[0]
    return int(first) if first.isdecimal() and first.isascii() else 0


def _progress(completed: str, speed_kib_s: int) -> tuple[float | None, float | None]:
    """Progress and time left, from `sectors / sectors`, `none` or `delayed`; a sector is half a KiB."""
    done, slash, total = (part.strip() for part in completed.partition("/"))
    if not slash or not done.isdecimal() or not total.isdecimal() or int(total) == 0:
        return None, None
    left = max(int(total) - int(done), 0)
    return int(done) / int(total), left / 2 / speed_kib_s if speed_kib_s else None


def _faulty(folder: Path) -> list[str]:
    return [
        path.parent.name.removeprefix("dev-")
        for path in folder.glob("dev-*/state")
        if "faulty" in _text(path.parent, "state").split(",")
    ]


class Checks(StateModel):
    """Seconds since 1970 of each array's last check, and of when it was first seen; by its UUID or else its name."""

    last_s: Mapping[str, float] = Field(default_factory=dict)
    first_seen_s: Mapping[str, float] = Field(default_factory=dict)


class RaidProbe(BaseProbe):
    """Monitors every array."""

    def __init__(self, settings: RaidSettings, bench: ProbeContext, sysfs: Path = SYSFS) -> None:
        self._settings = settings
        self._bench = bench
        self._sysfs = sysfs
        self._seen: set[str] = set()
        self._state = ProbeState(bench.probe_states, settings.label, Checks())
        self._written_s = 0.0

    async def observe(self) -> Sequence[Observation]:
        """Read the kernel's files. Raises ProbeError if there is no array, and none is expected."""
        settings = self._settings
        arrays = await self._bench.workers.call("raid", partial(read_arrays, self._sysfs), settings.timeout)
        watched = [each for each in arrays if each.name not in settings.exclude]
        there = {each.name for each in watched}
        missing = ({*settings.arrays} | self._seen) - there
        self._seen |= there
        if not watched and not missing:
            raise ProbeError("there is no software RAID; assemble the array, or remove this probe")
        checks = await self._remember(watched)
        gone = "the array does not exist: not assembled, or stopped"
        return [
            *(seen for each in watched for seen in _observations(each)),
            *(seen for each in watched for seen in self._checked(each, checks)),
            *(Condition(_key(name, "health"), ok=False, reason=gone) for name in sorted(missing)),
        ]

    async def _remember(self, arrays: Sequence[Array]) -> Checks:
        """Store when each array was checked last: the kernel says only that a check runs, and not when one ended."""
        known, now_s = await self._state.read(), self._bench.clock.now().timestamp()
        last_s, first_seen_s = dict(known.last_s), dict(known.first_seen_s)
        for each in arrays:
            first_seen_s.setdefault(each.uuid, now_s)
            if each.action in CHECKING:
                last_s[each.uuid] = now_s
        there = {each.uuid for each in arrays}
        page = Checks(
            last_s={uuid: each for uuid, each in last_s.items() if uuid in there},
            first_seen_s={uuid: each for uuid, each in first_seen_s.items() if uuid in there},
        )
        written = known.last_s.keys() == page.last_s.keys() and known.first_seen_s == page.first_seen_s
        if written and now_s - self._written_s < WRITTEN_EVERY_S:
            self._state.hold(page)
        else:
            self._written_s = now_s
            await self._state.write(page)
        return page

    def _checked(self, array: Array, checks: Checks) -> list[Observation]:
        """When the next check is due (if none is known, from when the array was first seen), and what it found."""
        if array.level not in REDUNDANT:
            return []
        found: list[Observation] = []
        if (period_s := self._settings.check_limit) is not None:
            last_s = checks.last_s.get(array.uuid)
            from_s = checks.first_seen_s[array.uuid] if last_s is None else last_s
            last_at = None if last_s is None else datetime.fromtimestamp(last_s, UTC)
            due_at = datetime.fromtimestamp(from_s + period_s, UTC)
            facts: Facts = (("last check", "none seen yet"),) if last_s is None else ()
            found.append(Deadline(_key(array.name, "check"), due_at, last_at, period_s, facts))
        # On a mirror, memory that changes while it is written makes mismatches that mean nothing: md(4).
        bad = array.mismatches if array.level in PARITY and array.action == "idle" else 0
        reason = f"the last check found {bad} sectors whose parity does not match" if bad else ""
        return [*found, Condition(_key(array.name, "parity"), not reason, reason)]


def _key(name: str, quantity: str) -> SeriesKey:
    return SeriesKey(f"array {printable(name)}", quantity)


def _observations(array: Array) -> list[Observation]:
    reason, grave = _trouble(array)
    facts: Facts = (("level", clip(array.level) or "unknown"), ("disks", str(array.disks)))
    if array.action != "idle":
        facts += (("in progress", _working(array)),)
    if array.mismatches:
        facts += (("mismatches", f"{array.mismatches} sectors at the last check"),)
    return [Condition(_key(array.name, "health"), not reason, reason, grave, facts)]


def _trouble(array: Array) -> tuple[str, bool]:
    """What is wrong, and whether the array has stopped."""
    if array.state in STOPPED:
        return f"the array is {array.state} and cannot be used", True
    parts = []
    if array.degraded:
        parts.append(
            f"{array.degraded} of {array.disks} disks are missing"
            if array.degraded > 1
            else f"1 of {array.disks} disks is missing"
        )
    if array.faulty:
        parts.append(f"faulty: {', '.join(clip(name) for name in array.faulty)}")
    if array.action in {"recover", "resync"}:
        parts.append(_working(array))
    return ", ".join(parts), False


def _working(array: Array) -> str:
    said = WORK.get(array.action, clip(array.action))
    if array.done_share is None:
        return said
    left = f", about {format_duration(array.left_s // 60 * 60 or 60)} left" if array.left_s is not None else ""
    return f"{said}, {array.done_share:.0%} done{left}"
