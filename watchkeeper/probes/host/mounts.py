"""Which file systems are mounted, and which of them can fill: reads the kernel's mountinfo and decides from it alone.

No file system is touched in here, so nothing in here can hang. The format: proc(5), /proc/[pid]/mountinfo.
"""

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from fnmatch import fnmatchcase

PSEUDO = frozenset({
    "autofs", "bdev", "binder", "binfmt_misc", "bpf", "cgroup", "cgroup2", "configfs", "cpuset", "debugfs", "devpts",
    "devtmpfs", "efivarfs", "fusectl", "hugetlbfs", "mqueue", "nfsd", "nsfs", "nullfs", "pipefs", "proc", "pstore",
    "ramfs", "resctrl", "rootfs", "rpc_pipefs", "securityfs", "selinuxfs", "smackfs", "sockfs", "sysfs", "tracefs",
})  # fmt: skip
"""Views of the kernel: they hold no files of anybody's. ramfs holds some, but knows no capacity. autofs must not even
be asked: asking mounts what it stands for."""

IMAGES = frozenset({"cramfs", "erofs", "iso9660", "romfs", "squashfs"})
"""Made once and read only, and therefore always full: discs, and packages mounted from a loop device."""

SERVED = frozenset({
    "9p", "acfs", "afs", "beegfs", "ceph", "cifs", "coda", "glusterfs", "gpfs", "lustre", "ncpfs", "nfs", "nfs4",
    "orangefs", "pvfs2", "smb3", "smbfs", "vboxsf", "virtiofs",
})  # fmt: skip
"""Another machine (or the hypervisor around this one) keeps the space, and watches over it. May be named."""

LAYERED = frozenset({"aufs", "ecryptfs", "overlay", "unionfs"})
"""They write into another file system that is mounted here, and fill when that does."""

VOLATILE = ("/dev", "/proc", "/run", "/sys")
"""The system's own tmpfs are below these; credentials are in /run/credentials. Small, and gone with the next start."""

_ESCAPE = re.compile(r"\\([0-7]{3})")


@dataclass(frozen=True, slots=True)
class Mount:
    """One line of mountinfo.

    id, parent: of this mount and of the one it is mounted on. device: `major:minor` of the file system.
    root: what of the file system is mounted. point: where. read_only: this mount; kernel_read_only: the whole file
    system. source: the device, or whatever the file system calls itself. Paths may hold surrogates (os.fsdecode).
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

    @property
    def on_device(self) -> bool:
        """True where it lives on a block device of this machine."""
        return self.source.startswith("/dev/")

    @property
    def fell_read_only(self) -> bool:
        """True where it was mounted for writing and the kernel has stopped that: what it does after an error.

        A mount that was asked for as read-only is so in both of its option lists.
        """
        return self.kernel_read_only and not self.read_only


def parse(mountinfo: str) -> list[Mount]:
    """The mounts that can be reached by their path, in the order in which the kernel lists them.

    Lines that do not look like the format are passed over: a later kernel may add some.
    """
    mounts = [mount for line in mountinfo.split("\n") if (mount := _parse_line(line))]
    return _reachable(mounts)


def _parse_line(line: str) -> Mount | None:
    # Split at single spaces, and at nothing else that Unicode calls a space: names may hold any of those unescaped.
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
        # emergency_ro: how ext4 says it since Linux 6.14, where it stops writing without turning to ro.
        kernel_read_only="ro" in kernel_options or "emergency_ro" in kernel_options,
    )


def _unescape(text: str) -> str:
    r"""Undo the kernel's octal escapes: `\040` is a space. They stand for single bytes, and only for ASCII ones."""
    return _ESCAPE.sub(lambda found: chr(int(found.group(1), 8)), text)


def _reachable(mounts: list[Mount]) -> list[Mount]:
    """Leave out what is hidden beneath a later mount: its path leads to somewhere else now."""
    ids = {mount.id for mount in mounts}
    roots = [mount for mount in mounts if mount.point == "/" and mount.parent not in ids - {mount.id}]
    if not roots:
        return mounts  # A view that does not begin at the root: nothing can be told from it.
    above = {(mount.parent, mount.point): mount for mount in mounts if mount.id != mount.parent}
    return [mount for mount in mounts if _lookup(mount.point, roots[-1], above) is mount]


def _lookup(path: str, root: Mount, above: dict[tuple[int, str], Mount]) -> Mount:
    """The mount that a path leads to, found the way the kernel does: from the root, through what is mounted on it."""
    current, passed = root, {root.id}
    parts = [part for part in path.split("/") if part]
    for prefix in ["/", *("/" + "/".join(parts[: n + 1]) for n in range(len(parts)))]:
        while (covering := above.get((current.id, prefix))) and covering.id not in passed:
            current = covering
            passed.add(current.id)
    return current


def can_fill(mount: Mount) -> bool:
    """May the files of this machine fill this file system, and is the space its own?

    A type that is in no list counts as one that can: what is new is watched until it is known not to need it.
    """
    if mount.type in PSEUDO | IMAGES | SERVED or _is_program(mount.type):
        return False
    if mount.type in LAYERED:
        # At the root it is the whole of what there is to see: a container, or a system started from a read-only disc.
        return mount.point == "/"
    if mount.read_only and mount.kernel_read_only:
        return False  # Mounted to be read: an image, an old disk, a snapshot.
    if mount.type == "tmpfs":
        # Containers bring one called "shm" each, for the memory that their processes share.
        return not below(mount.point, VOLATILE) and mount.source != "shm"
    return True


def _is_program(kind: str) -> bool:
    """A file system that a program serves: what is behind it, and where, only that program knows. May be named.

    fuseblk is not one of these: the kernel's name for a program that serves a block device (such as NTFS).
    """
    return kind == "fuse" or kind.startswith("fuse.")


def below(path: str, folders: Iterable[str]) -> bool:
    """Is `path` one of the folders, or inside one?"""
    return any(path == folder or path.startswith(folder.rstrip("/") + "/") for folder in folders)


def matches(path: str, globs: Iterable[str]) -> bool:
    """Does a mount point match one of the globs? `*` also matches a slash."""
    return any(fnmatchcase(path, glob) for glob in globs)


def nameable(mount: Mount) -> bool:
    """May the keeper ask for this one by name? Everything but the kernel's own views."""
    return mount.type not in PSEUDO


def one_for_each_device(mounts: Iterable[Mount], kept: Collection[str] = ()) -> list[Mount]:
    """One mount for each file system: bind mounts, and subvolumes of one btrfs, share a device and its space.

    A mount point in `kept` (chosen before) stays chosen, so that a bind mount that comes later does not rename the
    subject. Otherwise the shortest path is the one that the keeper knows it by, and of two the first. Datasets of a ZFS
    pool are separate: each has a device of its own, and may have a quota of its own.
    """
    chosen: dict[str, Mount] = {}
    for mount in mounts:
        rival = chosen.get(mount.device)
        if rival is None or _rank(mount, kept) < _rank(rival, kept):
            chosen[mount.device] = mount
    return sorted(chosen.values(), key=lambda mount: mount.point)


def _rank(mount: Mount, kept: Collection[str]) -> tuple[bool, int]:
    return mount.point not in kept, len(mount.point)
