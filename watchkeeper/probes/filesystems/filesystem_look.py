"""One blocking look at one mounted file system: its figures, whether its directory can be read, its recorded errors.

statvfs(3) is not evidence that a file system works: on an XFS that the kernel has shut down it still gives all figures
(measured on Linux 6.1 and 6.18). Reading the directory of the mount point fails there with EIO, for every user.

Not here: what is observed from that (filesystems.py), and which mounts there are (mounts.py).
"""

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from watchkeeper.probes.filesystems.mounts import Mount

EXT4 = Path("/sys/fs/ext4")

DENIED = frozenset({errno.EACCES, errno.EPERM})


@dataclass(frozen=True, slots=True)
class Figures:
    """The result of statvfs(3), in bytes and in inodes; counted as `df` does: used / (used + available to any user)."""

    used_bytes: int
    available_bytes: int
    used_inodes: int
    available_inodes: int

    @classmethod
    def of(cls, found: os.statvfs_result) -> "Figures":
        """Exclude the reserve for root (free, but not available) from the capacity.

        A file system served by a program may report anything, so no figure may be below 0 or above the total.
        """
        used = max(found.f_blocks - found.f_bfree, 0)
        used_inodes = max(found.f_files - found.f_ffree, 0)
        return cls(
            used_bytes=used * found.f_frsize,
            available_bytes=min(found.f_bavail, found.f_blocks - used) * found.f_frsize,
            used_inodes=used_inodes,
            available_inodes=min(found.f_favail, found.f_files - used_inodes),
        )


@dataclass(frozen=True, slots=True)
class RecordedErrors:
    """What ext4 keeps in its superblock about errors until the next e2fsck: the kernel's admin-guide/ext4.rst.

    count: 0 if there were none. last_at: when the last one was; None if the kernel does not say. where: the function
    of the kernel that found it.
    """

    count: int
    last_at: datetime | None = None
    where: str = ""


@dataclass(frozen=True, slots=True)
class Look:
    """What one look found. listing: the errno of reading the directory, 0 if it could be read.

    recorded: None if this file system keeps no record, or the kernel shows none.
    """

    figures: Figures
    listing: int = 0
    recorded: RecordedErrors | None = None


def figures(point: str, mount_id: int) -> Figures | None:
    """Query the file system at a mount point for its figures; None if another mount is there by now. Raises OSError."""
    with _opened(point, mount_id) as fd:
        return None if fd is None else Figures.of(os.fstatvfs(fd))


def look(mount: Mount) -> Look | None:
    """Look at the file system of a mount; None if another one is mounted there by now. Raises OSError."""
    with _opened(mount.point, mount.id) as fd:
        if fd is None:
            return None
        found = Figures.of(os.fstatvfs(fd))
        return Look(found, _listing(fd), recorded_errors(mount.device) if mount.type == "ext4" else None)


@contextmanager
def _opened(point: str, mount_id: int) -> Iterator[int | None]:
    """A descriptor of the mount point (O_PATH); None if another mount is there by now.

    Without the check of the mount's id, a file system that was just unmounted would get its parent's figures.
    """
    fd = os.open(point, os.O_PATH | os.O_CLOEXEC)
    try:
        with Path(f"/proc/self/fdinfo/{fd}").open("rb") as info:
            same = b"mnt_id:\t%d\n" % mount_id in info.read()
        yield fd if same else None
    finally:
        os.close(fd)


def _listing(fd: int) -> int:
    """The errno of reading the first entries of the directory behind a descriptor; 0 if there was none.

    A mount point that is a file (a bind mount of one) has nothing to list.
    """
    try:
        directory = os.open(f"/proc/self/fd/{fd}", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except NotADirectoryError:
        return 0
    except OSError as error:
        return error.errno or errno.EIO
    try:
        with os.scandir(directory) as entries:
            next(entries, None)
    except OSError as error:
        return error.errno or errno.EIO
    finally:
        os.close(directory)
    return 0


def recorded_errors(device: str, sysfs: Path = EXT4, block: Path = Path("/sys/dev/block")) -> RecordedErrors | None:
    """What ext4 has recorded about the device with this `major:minor`; None if the kernel shows nothing of it."""
    try:
        folder = sysfs / os.path.basename(os.readlink(block / device))  # noqa: PTH115, PTH119  a link's last name
    except OSError:
        return None
    count = _number(folder / "errors_count")
    if count is None:
        return None
    seconds = _number(folder / "last_error_time")
    where = ""
    with suppress(OSError):
        where = (folder / "last_error_func").read_text("utf-8", "replace").strip()
    return RecordedErrors(count, _instant(seconds) if count else None, where if count else "")


def _number(path: Path) -> int | None:
    try:
        text = path.read_text("ascii", "replace").strip()
    except OSError:
        return None
    return int(text) if text.isdecimal() and text.isascii() and len(text) <= 20 else None


def _instant(seconds: int | None) -> datetime | None:
    """A time after 1970; None if there is none, or it is beyond the calendar."""
    try:
        return datetime.fromtimestamp(seconds, UTC) if seconds else None
    except (OverflowError, ValueError, OSError):
        return None
