"""Memory and processes of a cgroup (version 2) against its limits, and which cgroups are containers.

The format: cgroup-v2 in the kernel's documentation (admin-guide). Reads only files that everyone may read.
"""

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from watchkeeper.probes.support.sanitize import clip

DEPTH_LIMIT = 5
FOLDERS_LIMIT = 4096
FILE_LIMIT_BYTES = 64 * 1024

NAME_CLIP = 60

_PATTERNS = (
    re.compile(r"systemd-nspawn@(?P<name>.+)\.service"),
    re.compile(r"machine-(?!qemu\\x2d)(?P<name>.+)\.scope"),
    re.compile(r"lxc\.payload\.(?P<name>.+)"),
)
"""systemd-nspawn(1), systemd-machined(8) (a guest of QEMU is no container) and lxc.container.conf(5)."""

_ESCAPED = re.compile(r"\\x([0-9a-f]{2})")


@dataclass(frozen=True, slots=True)
class Limits:
    """What a cgroup uses. memory_bytes: without the page cache that can be dropped at once. Limits: None without one.

    kills: how many of its processes the kernel has killed because it reached its memory limit. inode: tells a new
    cgroup of the same name from the old one.
    """

    inode: int
    memory_bytes: int | None = None
    memory_limit: int | None = None
    processes: int | None = None
    processes_limit: int | None = None
    kills: int = 0
    waits: float = 0.0


@dataclass(frozen=True, slots=True)
class Group:
    """A cgroup that is monitored. subject: `container tide-log` or `slice guests`."""

    subject: str
    limits: Limits


def read_limits(folder: Path) -> Limits | None:
    """What a cgroup uses, and its limits; None if it is gone."""
    try:
        inode = folder.stat().st_ino
    except OSError:
        return None
    current, cache = _number(folder / "memory.current"), field(folder / "memory.stat", "inactive_file")
    memory = None if current is None else max(current - (cache or 0), 0)
    return Limits(
        inode,
        memory,
        _number(folder / "memory.max"),
        _number(folder / "pids.current"),
        _number(folder / "pids.max"),
        field(folder / "memory.events", "oom_kill") or 0,
        _waits(folder / "memory.pressure"),
    )


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return file.read(FILE_LIMIT_BYTES).decode("ascii", "replace")
    except OSError:
        return ""


def _number(path: Path) -> int | None:
    """A file with one number; None for `max`, for none, and if it cannot be read."""
    text = _text(path).strip()
    return int(text) if text.isdecimal() else None


def field(path: Path, name: str) -> int | None:
    """The value of one line of a file of names and numbers; None without one."""
    for line in _text(path).splitlines():
        said, _, value = line.partition(" ")
        if said == name and value.isdecimal():
            return int(value)
    return None


def _waits(path: Path) -> float:
    """The share of the last five minutes in which all tasks of a cgroup waited for memory, 0 to 1."""
    found = re.search(r"^full .*avg300=([0-9.]{1,8})", _text(path), re.MULTILINE)
    try:
        return float(found.group(1)) / 100 if found else 0.0
    except ValueError:
        return 0.0


def find(root: Path) -> Iterator[Group]:
    """The containers that systemd-nspawn and LXC run, and slices with a limit. root: where cgroups are mounted."""
    for folder in _folders(root):
        name = _container(folder.name)
        if name or folder.suffix == ".slice":
            limits = read_limits(folder)
            limited = limits and (limits.memory_limit is not None or limits.processes_limit is not None)
            if limits and (name or limited):
                yield Group(f"container {name}" if name else f"slice {_plain(folder.stem)}", limits)


def _folders(root: Path) -> Iterator[Path]:
    """Every cgroup down to a depth, without those inside a container."""
    todo, seen = [(root, 0)], 0
    while todo and seen < FOLDERS_LIMIT:
        folder, depth = todo.pop()
        seen += 1
        if depth:
            yield folder
        if depth < DEPTH_LIMIT and not (depth and _container(folder.name)):
            todo += [(Path(each), depth + 1) for each in _below(folder)]


def _below(folder: Path) -> list[str]:
    try:
        with os.scandir(folder) as entries:
            return sorted((each.path for each in entries if each.is_dir(follow_symlinks=False)), reverse=True)
    except OSError:
        return []


def _container(name: str) -> str:
    """The name of the container that a cgroup of this name is; empty if it is none."""
    found = next((match for each in _PATTERNS if (match := each.fullmatch(name))), None)
    return _plain(found["name"]) if found else ""


def _plain(name: str) -> str:
    """A name without systemd's escapes: systemd.unit(5)."""
    return clip(_ESCAPED.sub(lambda found: chr(int(found.group(1), 16)), name), NAME_CLIP)
