"""Which file systems are mounted, and which of them can fill, decided from the kernel's mountinfo alone.

No file system is accessed here, so nothing can hang. The format: proc(5), /proc/[pid]/mountinfo.
"""

import os
import re
from collections.abc import Collection, Iterable
from contextlib import suppress
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

PSEUDO = frozenset({
    "autofs", "bdev", "binder", "binfmt_misc", "bpf", "cgroup", "cgroup2", "configfs", "cpuset", "debugfs", "devpts",
    "devtmpfs", "efivarfs", "fusectl", "hugetlbfs", "mqueue", "nfsd", "nsfs", "nullfs", "pipefs", "proc", "pstore",
    "ramfs", "resctrl", "rootfs", "rpc_pipefs", "securityfs", "selinuxfs", "smackfs", "sockfs", "sysfs", "tracefs",
})  # fmt: skip
"""Views of the kernel: they contain no user files. ramfs does, but has no capacity. autofs must not even be queried:
a query triggers the mount."""

IMAGES = frozenset({"cramfs", "erofs", "iso9660", "romfs", "squashfs"})
"""Created once and read-only, and therefore always full: discs, and packages mounted from a loop device."""

SERVED = frozenset({
    "9p", "acfs", "afs", "beegfs", "ceph", "cifs", "coda", "glusterfs", "gpfs", "lustre", "ncpfs", "nfs", "nfs4",
    "orangefs", "pvfs2", "smb3", "smbfs", "vboxsf", "virtiofs",
})  # fmt: skip
"""Another machine (or the hypervisor of this one) provides and monitors the space. These may be named explicitly."""

LAYERED = frozenset({"aufs", "ecryptfs", "overlay", "unionfs"})
"""They write into another file system that is mounted here, and fill when that one does."""

VOLATILE = ("/dev", "/proc", "/run", "/sys")
"""The system's own tmpfs are below these; credentials are in /run/credentials. Small, and empty after a reboot."""

_ESCAPE = re.compile(r"\\([0-7]{3})")


@dataclass(frozen=True, slots=True)
class Mount:
    """One line of mountinfo.

    id, parent: of this mount and of the one it is mounted on. device: `major:minor` of the file system.
    root: which part of the file system is mounted. point: where. read_only: this mount; kernel_read_only: the whole
    file system. source: the device, or whatever the file system calls itself. shut_down: the kernel says that it has
    shut the file system down. Paths may contain surrogates (os.fsdecode).
    """

    id: int
    parent: int
    device: str
    root: str
    point: str
    type: str
    source: str
    read_only: bool = False
    kernel_read_only: bool = False
    shut_down: bool = False

    @property
    def on_device(self) -> bool:
        """True if it is on a block device of this machine."""
        return self.source.startswith("/dev/")

    @property
    def fell_read_only(self) -> bool:
        """True if it was mounted for writing and the kernel made it read-only, as it does after an error.

        A mount that was requested as read-only has `ro` in both of its option lists.
        """
        return self.kernel_read_only and not self.read_only


def parse(mountinfo: str) -> list[Mount]:
    """The mounts that can be reached by their path, in the kernel's order.

    Lines that do not match the format are ignored: a later kernel may add some.
    """
    mounts = [mount for line in mountinfo.split("\n") if (mount := _parse_line(line))]
    return _reachable(mounts)


def _parse_line(line: str) -> Mount | None:
    # Split only at single spaces, not at other Unicode whitespace: names may contain it unescaped.
    before, dash, after = line.partition(" - ")
    fields, rest = before.split(" "), after.split(" ")
    if not dash or len(fields) < 6 or len(rest) < 3 or not (fields[0] + fields[1]).isdecimal():
        return None
    kernel_options = rest[2].split(",")
    return Mount(
        id=int(fields[0]),
        parent=int(fields[1]),
        device=fields[2],
        root=_unescape(fields[3]),
        point=_unescape(fields[4]),
        type=_unescape(rest[0]),
        source=_unescape(rest[1]),
        read_only="ro" in fields[5].split(","),
        # emergency_ro: since Linux 6.14, ext4 shows this if it stops writing without changing to ro.
        kernel_read_only="ro" in kernel_options or "emergency_ro" in kernel_options,
        # ext4 shows this after a shutdown (seen on Linux 6.18); an XFS that was shut down shows nothing.
        shut_down="shutdown" in kernel_options,
    )


def _unescape(text: str) -> str:
    r"""Undo the kernel's octal escapes: `\040` is a space. Each is a single byte, and only an ASCII one."""
    return _ESCAPE.sub(lambda found: chr(int(found.group(1), 8)), text)


def _reachable(mounts: list[Mount]) -> list[Mount]:
    """Leave out mounts that are hidden under a later mount: their path now leads elsewhere."""
    ids = {mount.id for mount in mounts}
    roots = [mount for mount in mounts if mount.point == "/" and mount.parent not in ids - {mount.id}]
    if not roots:
        return mounts  # A view that does not begin at the root: it does not show which mounts are hidden.
    above = {(mount.parent, mount.point): mount for mount in mounts if mount.id != mount.parent}
    return [mount for mount in mounts if _lookup(mount.point, roots[-1], above) is mount]


def _lookup(path: str, root: Mount, above: dict[tuple[int, str], Mount]) -> Mount:
    """The mount that a path leads to, resolved as the kernel does: from the root, through what is mounted on it."""
    current, passed = root, {root.id}
    parts = [part for part in path.split("/") if part]
    for prefix in ["/", *("/" + "/".join(parts[: n + 1]) for n in range(len(parts)))]:
        while (covering := above.get((current.id, prefix))) and covering.id not in passed:
            current = covering
            passed.add(current.id)
    return current


def can_fill(mount: Mount) -> bool:
    """Whether files of this machine can fill this file system, and the space is its own.

    A type that is in no list counts as one that can: a new type is monitored until it is known not to need it.
    """
    if mount.type in PSEUDO | IMAGES | SERVED or _is_program(mount.type):
        return False
    if mount.type in LAYERED:
        # At the root there is nothing else to monitor: a container, or a system booted from a read-only disc.
        return mount.point == "/"
    if mount.read_only and mount.kernel_read_only:
        return False  # Mounted for reading only: an image, an old disk, a snapshot.
    if mount.type == "tmpfs":
        # Each container brings one called "shm", for the memory that its processes share.
        return not below(mount.point, VOLATILE) and mount.source != "shm"
    return True


def _is_program(kind: str) -> bool:
    """Whether a program serves the file system: only that program knows what is behind it, and where. May be named.

    fuseblk is not one of these: it is the kernel's name for a program that serves a block device (such as NTFS).
    """
    return kind == "fuse" or kind.startswith("fuse.")


def points_by_length(proc: Path) -> list[str]:
    """The mount points that files may lie on, the longest first; none where the kernel's list cannot be read."""
    with suppress(OSError):
        text = os.fsdecode((proc / "self/mountinfo").read_bytes())
        return sorted((each.point for each in parse(text) if can_fill(each)), key=len, reverse=True)
    return []


def below(path: str, folders: Iterable[str]) -> bool:
    """Whether `path` is one of the folders, or inside one."""
    return any(path == folder or path.startswith(folder.rstrip("/") + "/") for folder in folders)


def matches(path: str, globs: Iterable[str]) -> bool:
    """Whether a mount point matches one of the globs. `*` also matches a slash."""
    return any(fnmatchcase(path, glob) for glob in globs)


def nameable(mount: Mount) -> bool:
    """Whether the operator may name this one in the configuration: everything except the kernel's own views."""
    return mount.type not in PSEUDO


def one_for_each_device(mounts: Iterable[Mount], kept: Collection[str] = ()) -> list[Mount]:
    """One mount for each file system: bind mounts, and subvolumes of one btrfs, share a device and its space.

    A mount point in `kept` (chosen before) stays chosen, so that a later bind mount does not rename the subject.
    Otherwise the shortest path is chosen, because the operator knows it by that; of two equally short ones, the first.
    Datasets of a ZFS pool are separate: each has its own device, and may have its own quota.
    """
    chosen: dict[str, Mount] = {}
    for mount in mounts:
        rival = chosen.get(mount.device)
        if rival is None or _rank(mount, kept) < _rank(rival, kept):
            chosen[mount.device] = mount
    return sorted(chosen.values(), key=lambda mount: mount.point)


def _rank(mount: Mount, kept: Collection[str]) -> tuple[bool, int]:
    return mount.point not in kept, len(mount.point)
