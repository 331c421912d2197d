"""Finds whose folder a path leads into, which root must know before it touches anything there.

A path is safe for root where only root can change each step of it, and safe for its owner where only root and that
owner can. Anything else is refused. The result cannot become outdated in a harmful way: a path that only root can
change stays so, and every other path is walked again with the owner's own rights (file_rights.py).
"""

import os
import pwd
import stat
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path

from watchkeeper.errors import AccessDenied, StartError

LINKS_LIMIT = 40
"""The kernel follows this many links on one path (path_resolution(7))."""

UID_MAP, OVERFLOW_UID = Path("/proc/self/uid_map"), Path("/proc/sys/kernel/overflowuid")


@dataclass(frozen=True, slots=True)
class Owner:
    """The user who owns the folder.

    folder: the folder itself, without links. closed: the first folder on the path that the user may not enter. links:
    the links on the path, and where each leads.
    """

    uid: int
    gid: int
    folder: Path
    closed: Path | None = None
    links: tuple[tuple[Path, Path], ...] = ()

    def __str__(self) -> str:
        return user(self.uid)


def user(uid: int) -> str:
    """A user as errors name one: by name if it has one."""
    try:
        return f"user {pwd.getpwuid(uid).pw_name}"
    except KeyError:
        return f"user {uid}"


def owner_of(folder: Path, *, shared: bool = False) -> Owner | None:
    """The user whose rights root takes to work in a folder, or in the nearest existing one where it is missing.

    None: not needed, because this process is not root, or only root can change anything on the path. shared: accept a
    folder that everyone may write to, such as /tmp, because the caller opens nothing in it that exists already. Raises
    StartError where another user could redirect root.
    """
    if os.geteuid() != 0:
        return None
    try:
        return _Walk(folder.absolute(), outsiders()).owner(shared=shared)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise StartError(f"{folder} cannot be used ({why}): name a folder that is there") from error


def outsiders() -> int | None:
    """The uid that stands for all users outside this process's user namespace; None where it sees each as it is.

    Root of a namespace (a container without real root) has no power over their files, and none of them is inside it.
    """
    try:
        overflow = int(OVERFLOW_UID.read_bytes())
        ranges = [tuple(map(int, line.split())) for line in UID_MAP.read_bytes().splitlines()]
    except (OSError, ValueError):
        return None
    return None if any(first <= overflow < first + count for first, _, count in ranges) else overflow


def real_file(path: Path) -> Path:
    """For root: the file that links at a file's path lead to, as far as only root can change them.

    Where they lead into another user's folder, the last link decides whose file it is.
    """
    for _ in range(LINKS_LIMIT):
        if os.geteuid() != 0 or not path.is_symlink() or owner_of(path.parent, shared=True) is not None:
            break
        if path.lstat().st_uid != 0 and _everybodys(path.parent.stat()):
            break
        path = path.parent / path.readlink()
    return path


@dataclass
class _Walk:
    """Follows a path one step at a time, and remembers who could change a step."""

    path: Path
    outsiders: int | None = None
    here: Path = Path("/")
    seen: list[tuple[Path, os.stat_result]] = field(default_factory=list)
    changeable: dict[int, Path] = field(default_factory=dict)
    """User -> the first thing on the path that this user could have changed."""
    open_to: Path | None = None
    """The first of root's folders that its group or everyone may write to."""
    missing: bool = False
    """The path ends before the folder does. The work itself then reports what is wrong."""
    links: list[tuple[Path, Path]] = field(default_factory=list)

    def owner(self, *, shared: bool) -> Owner | None:
        """Follow the whole path and decide."""
        self._follow()
        last = self.seen[-1][1]
        if self._uid(last) == 0:
            self._check_root_alone(last, shared=shared)
            return None
        for uid, step in self.changeable.items():
            if uid != last.st_uid:
                raise AccessDenied(
                    f"{self.here} belongs to {user(last.st_uid)}, and {user(uid)} can change {step} on the way there: "
                    f"give {step} to root or to {user(last.st_uid)}, or name another folder"
                )
        return Owner(last.st_uid, last.st_gid, self.here, self._closed(last), tuple(self.links))

    def _check_root_alone(self, last: os.stat_result, *, shared: bool) -> None:
        for uid, step in self.changeable.items():
            raise AccessDenied(
                f"{self.path} leads over {step}, which {user(uid)} can change, to {self.here}, which belongs to root: "
                f"give {step} to root or {self.here} to {user(uid)}, or name another folder"
            )
        if self.open_to is not None:
            raise AccessDenied(
                f"{self.open_to} belongs to root, and others may write to it: take that right away "
                f"(chmod go-w {self.open_to}), give it to the user that runs watchkeeper, or name another folder"
            )
        if _everybodys(last) and (self.missing or not shared):
            raise AccessDenied(f"everybody may write to {self.here}: make a folder of your own in it and name that")

    def _closed(self, last: os.stat_result) -> Path | None:
        for folder, status in self.seen:
            mine = stat.S_IXUSR if status.st_uid == last.st_uid else 0
            mine = mine or (stat.S_IXGRP if status.st_gid == last.st_gid else stat.S_IXOTH)
            if not status.st_mode & mine:
                return folder
        return None

    def _follow(self) -> None:
        self._enter(Path("/"), os.lstat("/"))
        steps = deque(self.path.parts[1:])
        while steps:
            step = self.here / steps.popleft()
            try:
                status = os.lstat(step)
            except FileNotFoundError:
                self.missing = True
                return
            if step.name == "..":
                self.here = self.here.parent
            elif stat.S_ISLNK(status.st_mode):
                steps.extendleft(reversed(self._link(step, status)))
            elif stat.S_ISDIR(status.st_mode):
                self._enter(step, status)
            else:
                self.missing = True
                return

    def _link(self, step: Path, status: os.stat_result) -> list[str]:
        """Where a link leads. In a folder that everyone may write to, the link's owner decides that."""
        if self._uid(status) != 0 and _everybodys(os.lstat(self.here)):
            self.changeable.setdefault(status.st_uid, step)
        target = step.readlink()
        self.links.append((step, target))
        if len(self.links) > LINKS_LIMIT:
            raise ValueError("too many links")
        if target.is_absolute():
            self.here = Path("/")
            return list(target.parts[1:])
        return list(target.parts)

    def _uid(self, status: os.stat_result) -> int:
        """The owner's uid. What belongs to users outside the namespace is left to the kernel, like what root owns."""
        return 0 if status.st_uid == self.outsiders else status.st_uid

    def _enter(self, folder: Path, status: os.stat_result) -> None:
        self.here = folder
        self.seen.append((folder, status))
        if self._uid(status) != 0:
            self.changeable.setdefault(status.st_uid, folder)
        elif self.open_to is None and _others_write(status) and not _everybodys(status):
            self.open_to = folder


def _everybodys(status: os.stat_result) -> bool:
    """A folder like /tmp: others may write to it, but change only their own files there (the sticky bit)."""
    return _others_write(status) and bool(status.st_mode & stat.S_ISVTX)


def _others_write(status: os.stat_result) -> bool:
    """Group 0 is root's own group: no other user is in it."""
    return bool(status.st_mode & stat.S_IWOTH or (status.st_mode & stat.S_IWGRP and status.st_gid != 0))
