"""Parses `zfs list`, `zpool list` and `zpool status` into records. Pure. Not here: running the tools, judging.

The lists are in the tools' machine-readable form (-Hp: tabs, exact numbers). OpenZFS has one for `zpool status` only
since 2.3 (--json); Debian 12 has 2.1, where device errors and the last scrub are only in its report for people and
nowhere else that an unprivileged user may read. So that report is parsed, by its labels and by the states' names, never
by columns; with LC_ALL=C, TZ=UTC and exact numbers (-p) its words do not change with the machine's language.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import Enum

from watchkeeper.errors import ProbeError
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.tools import read_ctime

POOL_FIELDS = ("name", "health", "size", "allocated", "fragmentation")
LIST_POOLS = ("zpool", "list", "-Hp", "-o", ",".join(POOL_FIELDS))

# Without mount points: those may contain line breaks, names may not (zfs(8), naming).
DATASET_FIELDS = (
    "name", "type", "used", "available", "referenced", "usedbydataset", "usedbysnapshots", "usedbyrefreservation",
    "quota", "refquota", "volsize", "creation",
)  # fmt: skip
LIST_DATASETS = ("zfs", "list", "-Hp", "-t", "filesystem,volume", "-o", ",".join(DATASET_FIELDS))

SNAPSHOT_FIELDS = ("name", "creation", "used")
LIST_NAMES = ("zfs", "list", "-Hp", "-t", "filesystem,volume", "-o", "name")
LIST_SNAPSHOTS = ("zfs", "list", "-Hp", "-t", "snapshot", "-o", ",".join(SNAPSHOT_FIELDS))

STATUS = ("zpool", "status", "-p")


@dataclass(frozen=True, slots=True)
class Pool:
    """One line of `zpool list`. In raw bytes (for a raidz, including parity); None if the tool does not know."""

    name: str
    health: str
    size_bytes: int | None
    allocated_bytes: int | None
    fragmentation_share: float | None


@dataclass(frozen=True, slots=True)
class Dataset:
    """A file system or volume. In bytes; None if there is no quota, or if it does not apply.

    used: including snapshots, children and reservation. own, snapshots, reserved: its parts, except the children.
    """

    name: str
    volume: bool
    used: int
    available: int
    referenced: int
    own: int
    snapshots: int
    reserved: int
    quota: int | None
    refquota: int | None
    volsize: int | None
    created_at: datetime

    @property
    def pool(self) -> str:
        """The name of the pool that it is in."""
        return self.name.partition("/")[0]

    @property
    def is_root(self) -> bool:
        """Whether it is the pool's root dataset."""
        return "/" not in self.name


@dataclass(frozen=True, slots=True)
class ListedSnapshot:
    """One snapshot: its dataset, its own name, when it was made, and the bytes that only it references."""

    dataset: str
    name: str
    made_at: datetime
    used: int | None


class Scan(Enum):
    """The kind and state of a pool's latest scan. A scrub that has finished or is in progress counts as one."""

    NONE = "none"
    SCRUBBED = "scrubbed"
    SCRUBBING = "scrub in progress"
    OTHER = "resilvered, or a scrub that was not finished"


@dataclass(frozen=True, slots=True)
class Device:
    """One line of a pool's configuration. note: the tool's remark at its end, such as `too many errors`.

    role: `special`, `dedup`, `logs`, `cache` or `spares`; empty for the pool and the devices of its data.
    top: whether it is one of the devices that its role consists of, and not a part of one.
    """

    name: str
    state: str
    read: int = 0
    write: int = 0
    checksum: int = 0
    note: str = ""
    role: str = ""
    top: bool = False

    @property
    def redundant(self) -> bool:
        """Whether it consists of several disks, of which one may be lost."""
        return self.name.startswith(("mirror-", "raidz", "draid"))


@dataclass(frozen=True, slots=True)
class Status:
    """A pool's section of `zpool status`. scan_at: when the scan ended, or when it began if it is in progress.

    damaged: number of data errors. scan_line: the scan in the tool's own words.
    """

    pool: str
    scan: Scan = Scan.NONE
    scan_at: datetime | None = None
    scan_line: str = ""
    devices: tuple[Device, ...] = ()
    damaged: int = 0


def _rows(text: str, fields: Sequence[str], tool: str) -> Iterator[list[str]]:
    for line in text.split("\n"):
        if not line:
            continue
        row = line.split("\t")
        if len(row) != len(fields):
            raise ProbeError(f"{tool} printed an unexpected line: {clip(line)}")
        yield row


def _number(text: str) -> int | None:
    return int(text) if text.isdecimal() and text.isascii() else None


def _bytes(text: str) -> int:
    found = _number(text)
    if found is None:
        raise ProbeError(f"zfs printed {clip(text)}, expected a number of bytes")
    return found


def _limit(text: str) -> int | None:
    """A quota: 0, `-` and `none` mean that there is none."""
    return _number(text) or None


def _instant(text: str) -> datetime:
    # datetime ends with the year 9999, and no pool is older than 1970.
    return datetime.fromtimestamp(min(_bytes(text), 253_402_300_799), UTC)


def read_pools(text: str) -> list[Pool]:
    """The lines of `zpool list`. Raises ProbeError if one has the wrong format."""
    return [
        Pool(name, health, _number(size), _number(allocated), None if (part := _number(frag)) is None else part / 100)
        for name, health, size, allocated, frag in _rows(text, POOL_FIELDS, "zpool list")
    ]


def read_datasets(text: str) -> list[Dataset]:
    """The lines of `zfs list`. Raises ProbeError if one has the wrong format."""
    return [_dataset(row) for row in _rows(text, DATASET_FIELDS, "zfs list")]


def _dataset(row: list[str]) -> Dataset:
    name, kind, *sizes = row[:8]
    used, available, referenced, own, snapshots, reserved = map(_bytes, sizes)
    quota, refquota, volsize = map(_limit, row[8:11])
    made_at = _instant(row[11])
    return Dataset(
        name, kind == "volume", used, available, referenced, own, snapshots, reserved, quota, refquota, volsize, made_at
    )


def read_snapshots(text: str) -> list[ListedSnapshot]:
    """The lines of `zfs list -t snapshot`. Raises ProbeError if one has the wrong format."""
    found = []
    for name, created, used in _rows(text, SNAPSHOT_FIELDS, "zfs list"):
        dataset, _, short = name.partition("@")
        found.append(ListedSnapshot(dataset, short, _instant(created), _number(used)))
    return found


TOP_INDENT = 2
"""Spaces before the devices that a pool, or a role in it, consists of; parts of these have more, the pool has none."""

_LABEL = re.compile(r" {0,8}(\w+): ?(.*)")
_ROLE = re.compile(r"\t(special|dedup|logs|cache|spares)\s*")
_DEVICE = re.compile(
    r"\t(?P<indent> *)(?P<name>.+?) +"
    r"(?P<state>ONLINE|DEGRADED|FAULTED|OFFLINE|UNAVAIL|REMOVED|SUSPENDED|CANT_OPEN|AVAIL|INUSE)"
    r"(?: +(?P<read>\d+) +(?P<write>\d+) +(?P<checksum>\d+))?(?: +(?P<note>.*))?"
)
_SCANS = (
    (re.compile(r"scrub repaired .* with \d+ errors on (.+)"), Scan.SCRUBBED),
    (re.compile(r"scrub in progress since (.+)"), Scan.SCRUBBING),
    (re.compile(r"(?:resilver|scrub).* (?:on|since) (\w{3} \w{3} +\d+ [\d:]+ \d{4})"), Scan.OTHER),
)
_DAMAGED = re.compile(r"(\d+) data errors")


def read_status(text: str) -> list[Status]:
    """The sections of `zpool status -p`, one for each pool. Unknown parts are ignored."""
    found: list[Status] = []
    for label, value in _labelled(text):
        if label == "pool":
            found.append(Status(value.partition("\n")[0]))
        elif found:
            found[-1] = _with(found[-1], label, value)
    return found


def _labelled(text: str) -> Iterator[tuple[str, str]]:
    """Each label with its text; continuation lines keep their leading tab."""
    label, lines = "", [""]
    for line in text.split("\n"):
        begins = _LABEL.fullmatch(line)
        if begins is None:
            lines.append(line)
            continue
        yield label, "\n".join(lines)
        label, lines = begins.group(1), [begins.group(2)]
    yield label, "\n".join(lines)


def _with(status: Status, label: str, value: str) -> Status:
    match label:
        case "scan":
            return _scanned(status, value.strip())
        case "config":
            return replace(status, devices=tuple(_devices(value)))
        case "errors":
            counted = _DAMAGED.match(value)
            return replace(status, damaged=int(counted.group(1)) if counted else 0)
        case _:
            return status


def _scanned(status: Status, value: str) -> Status:
    first, words = value.partition("\n")[0], " ".join(value.split())
    for form, scan in _SCANS:
        found = form.match(first)
        if found:
            return replace(status, scan=scan, scan_at=read_ctime(found.group(1)), scan_line=words)
    return replace(status, scan_line=words)


def _devices(config: str) -> Iterator[Device]:
    """The devices of a pool. Those of a role follow a line with its name, and are indented as the pool's own are."""
    role = ""
    for line in config.split("\n"):
        if heading := _ROLE.fullmatch(line):
            role = heading.group(1)
        elif found := _DEVICE.fullmatch(line):
            yield _device(found, role)


def _device(found: re.Match[str], role: str) -> Device:
    name, state, note, indent = (found.group(each) or "" for each in ("name", "state", "note", "indent"))
    read, write, checksum = (int(found.group(each) or 0) for each in ("read", "write", "checksum"))
    return Device(name, state, read, write, checksum, note, role, top=len(indent) == TOP_INDENT)
