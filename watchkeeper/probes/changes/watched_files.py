"""Files whose change is a change of the host: unit files and their links, mount table, cron tables.

Only names, sizes, times and link targets are compared; no content is read. Packages bring units too, below /usr/lib:
those change with their package, which is reported itself. Pure but for reading the folders.
"""

import os
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.probes.support.sanitize import clip

FOLDERS = (
    ("etc/systemd/system", ChangeKind.UNIT, 2),
    ("usr/local/lib/systemd/system", ChangeKind.UNIT, 2),
    ("etc/cron.d", ChangeKind.SCHEDULE, 1),
    ("var/spool/cron/crontabs", ChangeKind.SCHEDULE, 1),
)
"""Folder, what its files are, and how many levels of it are looked at: drop-ins and links lie one level down."""

FILES = (("etc/fstab", ChangeKind.MOUNT), ("etc/crontab", ChangeKind.SCHEDULE))

MOST = 2_000
"""Files that are compared; a host has some dozens."""

Files = Mapping[str, str]
"""Path -> what tells one state from another: `TIME_NS SIZE` of a file, `-> TARGET` of a link."""

_LINKS = (".wants", ".requires")


@dataclass(frozen=True, slots=True)
class Look:
    """What was found. kinds: of each path."""

    files: Files
    kinds: Mapping[str, ChangeKind]


def look(root: Path) -> Look:
    """The files as they are now. What cannot be read is left out. Blocks."""
    found, kinds = dict[str, str](), dict[str, ChangeKind]()
    for path, kind in _every(root):
        if len(found) >= MOST:
            break
        state = _state(root / path)
        if state:
            found[clip(path, 400)], kinds[clip(path, 400)] = state, kind
    return Look(found, kinds)


def _every(root: Path) -> Iterator[tuple[str, ChangeKind]]:
    yield from FILES
    for folder, kind, depth in FOLDERS:
        for path in _below(root / folder, depth):
            yield str(path.relative_to(root)), kind


def _below(folder: Path, depth: int) -> Iterator[Path]:
    try:
        with os.scandir(folder) as entries:
            found = sorted(entries, key=lambda each: each.name)
    except OSError:
        return
    for each in found:
        if each.is_dir(follow_symlinks=False):
            if depth > 1:
                yield from _below(Path(each.path), depth - 1)
        elif not each.name.startswith("."):
            yield Path(each.path)


def _state(path: Path) -> str:
    try:
        found = path.lstat()
        target = path.readlink() if stat.S_ISLNK(found.st_mode) else None
    except OSError:
        return ""
    return f"{found.st_mtime_ns} {found.st_size}" if target is None else f"-> {clip(str(target), 200)}"


def differences(before: Files, now: Look, seen_at: datetime, looked_at: datetime) -> Iterator[Change]:
    """What changed from one look to the next. looked_at: when the first one was."""
    for path in sorted(before.keys() | now.files.keys()):
        old, new = before.get(path), now.files.get(path)
        if old != new:
            kind = now.kinds.get(path, _kind_of(path))
            at, after = _when(new or "", seen_at, looked_at)
            yield Change(at, kind, f"/{path}", _action(path, old, new), _detail(new), after)


def _kind_of(path: str) -> ChangeKind:
    known = dict(FILES) | {folder: kind for folder, kind, _ in FOLDERS}
    return next((kind for name, kind in known.items() if path == name or path.startswith(f"{name}/")), ChangeKind.UNIT)


def _when(state: str, seen_at: datetime, looked_at: datetime) -> tuple[datetime, datetime | None]:
    """The file's own time if it can be right; else that it was between the two looks."""
    if state and not state.startswith("->"):
        at = datetime.fromtimestamp(0, UTC) + timedelta(microseconds=int(state.split(maxsplit=1)[0]) // 1000)
        if looked_at <= at <= seen_at:
            return at, None
    return seen_at, looked_at


def _action(path: str, old: str | None, new: str | None) -> str:
    link = (new or old or "").startswith("->") and Path(path).parent.suffix in _LINKS
    if new is None:
        return "disabled" if link else "removed"
    if old is None:
        return "enabled" if link else "added"
    return "masked" if new == "-> /dev/null" else "changed"


def _detail(new: str | None) -> str:
    return "(masked)" if new == "-> /dev/null" else ""
