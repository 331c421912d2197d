"""The disks of a guest: reads and writes that failed, and images that QEMU has marked corrupt or left unfinished.

An error below a disk need not pause the guest: QEMU hands it to the guest (werror=report, and always for reads by
default), goes on, and only its counters show it. Sources: qemu-qmp-ref(7), qcow2 in QEMU's docs/interop. Pure.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from watchkeeper.model.observation import Condition, Facts, SeriesKey
from watchkeeper.model.units import format_age, format_duration
from watchkeeper.probes.guests.qmp import Drive, Guest
from watchkeeper.probes.support.sanitize import clip

KINDS = (("read", "reads"), ("write", "writes"), ("flush", "flushes"))


class DiskErrors(BaseModel):
    """The errors of one disk. counts: reads, writes and flushes that failed since the guest's process started.

    risen: how many of each are new since first_at. last_at: when they rose last; None if they never did.
    """

    model_config = ConfigDict(frozen=True)

    counts: tuple[int, int, int] = (0, 0, 0)
    risen: tuple[int, int, int] = (0, 0, 0)
    last_at: AwareDatetime | None = None


class GuestDisks(BaseModel):
    """The errors of a guest's disks, by the disk's name."""

    model_config = ConfigDict(frozen=True)

    disks: Mapping[str, DiskErrors] = Field(default_factory=dict)


def counted(before: GuestDisks, guest: Guest, now: datetime, remembered_s: float) -> GuestDisks:
    """The errors with those of this look. A count that is lower than before began again with a new process."""
    found = {}
    for disk in (*guest.disks, *guest.read_only):
        old = before.disks.get(disk.name, DiskErrors())
        if old.last_at is not None and (now - old.last_at).total_seconds() >= remembered_s:
            old = DiskErrors(counts=old.counts)
        began_again = any(new < known for new, known in zip(disk.failed, old.counts, strict=True))
        base = (0, 0, 0) if began_again else old.counts
        rise = _added(disk.failed, base, -1)
        risen = _added(old.risen, rise)
        found[disk.name] = DiskErrors(counts=disk.failed, risen=risen, last_at=now if any(rise) else old.last_at)
    return GuestDisks(disks=found)


def _added(one: tuple[int, int, int], other: tuple[int, int, int], sign: int = 1) -> tuple[int, int, int]:
    return one[0] + sign * other[0], one[1] + sign * other[1], one[2] + sign * other[2]


def errors_condition(name: str, guest: Guest, errors: GuestDisks, now: datetime, remembered_s: float) -> Condition:
    """Faulty and grave while a guest's disk has failed to read or write lately."""
    key, drives = SeriesKey(f"guest {name}", "disk errors"), {d.name: d for d in (*guest.disks, *guest.read_only)}
    bad = {disk: each for disk, each in errors.disks.items() if any(each.risen) and _lately(each, now, remembered_s)}
    if not bad:
        return Condition(key, ok=True)
    reasons = [f"{_disk(drives[disk])}: {_counts(each.risen)} failed" for disk, each in bad.items()]
    last = max(each.last_at for each in bad.values() if each.last_at)
    facts: Facts = (("seen last", f"{last:%Y-%m-%d %H:%M} UTC"),)
    return Condition(key, ok=False, reason=clip("; ".join(reasons), 200), grave=True, facts=facts)


def _lately(errors: DiskErrors, now: datetime, remembered_s: float) -> bool:
    return errors.last_at is not None and (now - errors.last_at).total_seconds() < remembered_s


def _disk(drive: Drive) -> str:
    return clip(f"disk {drive.name} ({drive.file})" if drive.file else f"disk {drive.name}", 100)


def _counts(counts: Sequence[int]) -> str:
    parts = [f"{n} {one if n == 1 else many}" for n, (one, many) in zip(counts, KINDS, strict=True) if n]
    return ", ".join(parts)


def images_condition(name: str, guest: Guest, now: datetime, snapshot_limit_s: float, layers_limit: int) -> Condition:
    """Faulty if an image is marked corrupt (grave), holds a snapshot that is too old, or has too many layers."""
    key, drives = SeriesKey(f"guest {name}", "disk images"), (*guest.disks, *guest.read_only)
    facts = tuple(fact for drive in drives for fact in _facts(drive, now))
    corrupt = [_disk(drive) for drive in drives if drive.image.corrupt]
    if corrupt:
        reason = f"marked corrupt by QEMU: {', '.join(corrupt)}"
        return Condition(key, ok=False, reason=clip(reason, 200), grave=True, facts=facts)
    reasons = [why for drive in drives for why in _left_over(drive, now, snapshot_limit_s, layers_limit)]
    return Condition(key, not reasons, clip("; ".join(reasons), 200), facts=facts)


def _left_over(drive: Drive, now: datetime, snapshot_limit_s: float, layers_limit: int) -> Iterator[str]:
    ages = [(now.timestamp() - made_s, title) for title, made_s in drive.image.snapshots if made_s]
    if ages and max(ages)[0] > snapshot_limit_s:
        age_s, title = max(ages)
        limit = format_duration(snapshot_limit_s)
        yield f"{_disk(drive)} holds the snapshot {clip(title, 40)}, {format_age(age_s)} old, limit {limit}"
    if len(drive.image.layers) > layers_limit:
        yield f"{_disk(drive)} lies on {len(drive.image.layers)} other images, limit {layers_limit}"


def _facts(drive: Drive, now: datetime) -> Iterator[tuple[str, str]]:
    if drive.image.layers:
        yield f"images below {clip(drive.name, 40)}", clip(", ".join(drive.image.layers), 200)
    for title, made_s in drive.image.snapshots[:10]:
        made = datetime.fromtimestamp(min(made_s, now.timestamp()), UTC)
        yield f"snapshot inside {clip(drive.name, 40)}", clip(f"{title}, {made:%Y-%m-%d %H:%M} UTC", 100)
