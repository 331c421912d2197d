"""What a backup and a disk lie on, down to the pool or volume group beneath a file system's device."""

from pathlib import Path

import pytest

from tests.inventory.places import mounted
from watchkeeper.inventory.storage.storage_stack import devices, fixed_part, of_disk, of_files
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.host_state import Disk, StoreKind
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.filesystems.mounts import Mount


class Tree:
    """The kernel's trees of a host: a ZFS volume zd16, LUKS (dm-2) on a logical volume (dm-1), a thin one (dm-3)."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.device("zd16")
        self.device("zd16p1")
        (root / "dev/zvol/skerry").mkdir(parents=True)
        (root / "dev/zvol/skerry/copies").symlink_to(root / "dev/zd16")
        (root / "dev/zvol/skerry/copies-part1").symlink_to(root / "dev/zd16p1")
        self.device("sda1")
        self.mapped("dm-1", "quay--side-copies", "LVM-abc", "sda1")
        self.mapped("dm-2", "luks-copies", "CRYPT-LUKS2-def", "dm-1")
        self.mapped("dm-3", "jetty-pages", "LVM-ghi", "sda1")

    def device(self, name: str) -> Path:
        """A device, with its node, and its folder in sysfs."""
        folder = self.root / "sys/devices/block" / name
        (folder / "slaves").mkdir(parents=True)
        (self.root / "sys/class/block").mkdir(parents=True, exist_ok=True)
        (self.root / "sys/class/block" / name).symlink_to(folder)
        (self.root / "dev/mapper").mkdir(parents=True, exist_ok=True)
        (self.root / "dev" / name).touch()
        return folder

    def mapped(self, name: str, called: str, uuid: str, *beneath: str) -> None:
        """A device of the mapper, made of others."""
        folder = self.device(name)
        (folder / "dm").mkdir()
        (folder / "dm/name").write_text(f"{called}\n")
        (folder / "dm/uuid").write_text(f"{uuid}\n")
        for each in beneath:
            (folder / "slaves" / each).symlink_to(self.root / "sys/devices/block" / each)
        (self.root / "dev/mapper" / called).symlink_to(self.root / "dev" / name)

    def mounts(self) -> list[Mount]:
        """What is mounted."""
        mounted(
            self.root,
            ("/srv/volume", "ext4", "/dev/zd16"),
            ("/srv/part", "ext4", "/dev/zd16p1"),
            ("/srv/locked", "xfs", "/dev/mapper/luks-copies"),
            ("/srv/thin", "ext4", "/dev/mapper/jetty-pages"),
            ("/srv/tree", "btrfs", "/dev/dm-1"),
            ("/srv/away", "nfs4", "tern:/backup"),
            ("/skerry/copies", "zfs", "skerry/copies"),
        )
        return mounts.parse((self.root / "mountinfo").read_text())


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """A host's trees in a folder."""
    return Tree(tmp_path)


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        ("/skerry/copies/*.img", {"pool skerry"}),
        ("/srv/volume/*.img", {"file system /srv/volume", "pool skerry"}),
        ("/srv/part/2026-*/a?c.img", {"file system /srv/part", "pool skerry"}),
        ("/srv/locked/[ab]*", {"file system /srv/locked", "volume group quay-side"}),
        ("/srv/thin", {"file system /srv/thin", "volume group jetty"}),
        ("/srv/thin*", {"file system /"}),
        ("/srv/tree/copies/*", {"btrfs /srv/tree", "volume group quay-side"}),
        ("/srv/away/*", {"file system /srv/away"}),
        ("/var/backups/*", {"file system /"}),
    ],
)
def test_what_files_lie_on(tree: Tree, pattern: str, expected: set[str]) -> None:
    """The store by its mount, and what its device is made of, through encryption and partitions."""
    assert of_files(pattern, tree.mounts(), tree.root) == expected


@pytest.mark.parametrize(
    ("path", "store", "kind", "expected"),
    [
        ("/dev/zvol/skerry/hub", "pool skerry", StoreKind.ZFS, {"pool skerry"}),
        ("/dev/jetty/hub", "thin pool jetty/books", StoreKind.THIN, {"thin pool jetty/books", "volume group jetty"}),
        ("/srv/thin/a", "file system /srv/thin", StoreKind.FILES, {"file system /srv/thin", "volume group jetty"}),
        ("/link/to/a", "file system /srv/thin", StoreKind.FILES, {"file system /srv/thin"}),
    ],
)
def test_what_a_disk_lies_on(tree: Tree, path: str, store: str, kind: StoreKind, expected: set[str]) -> None:
    """Its store, and what that lies on."""
    disk = Disk(path, None, SeriesKey(store, "space"), "volume")
    assert of_disk(disk, kind, tree.mounts(), tree.root) == expected


def test_a_disk_on_no_store(tree: Tree) -> None:
    """Nothing can be told of it."""
    assert of_disk(Disk("/dev/sdq"), None, tree.mounts(), tree.root) == set()
    assert of_files("/srv/volume/*", [], tree.root) == set()


@pytest.fixture
def stacked(tree: Tree) -> Tree:
    """Two partitions, a mirror of both, LUKS on the mirror; a btrfs of two disks."""
    for name, disk in (("sda1", "sda"), ("sdb1", "sdb")):
        folder = tree.root / "sys/devices/block" / disk / name
        (folder / "slaves").mkdir(parents=True)
        (folder / "partition").write_text("1\n")
        link = tree.root / "sys/class/block" / name
        link.unlink(missing_ok=True)
        link.symlink_to(folder)
    for name, below in (("md0", ("sda1", "sdb1")), ("dm-7", ("md0",)), ("sdc", ()), ("sdd", ())):
        folder = tree.device(name)
        for each in below:
            (folder / "slaves" / each).symlink_to((tree.root / "sys/class/block" / each).resolve())
    members = tree.root / "sys/fs/btrfs/0f5e/devices"
    members.mkdir(parents=True)
    for name in ("sdc", "sdd"):
        (members / name).symlink_to(tree.root / "sys/devices/block" / name)
    mounted(
        tree.root,
        ("/srv/mirror", "ext4", "/dev/dm-7"),
        ("/srv/part", "ext4", "/dev/sdb1"),
        ("/srv/tree", "btrfs", "/dev/sdc"),
        ("/srv/alone", "btrfs", "/dev/sda1"),
        ("/srv/volume", "ext4", "/dev/zd16"),
        ("/srv/away", "nfs4", "tern:/backup"),
        ("/skerry/copies", "zfs", "skerry/copies"),
    )
    return tree


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("/srv/mirror/copies", {"sda", "sdb"}),
        ("/srv/part/a.img", {"sdb"}),
        ("/srv/tree", {"sdc", "sdd"}),
        ("/srv/alone", {"sda"}),
        ("/dev/md0", {"sda", "sdb"}),
        ("/dev/sdd", {"sdd"}),
        ("/dev/zvol/skerry/copies", set()),
        ("/srv/volume", set()),
        ("/srv/away", set()),
        ("/skerry/copies", set()),
        ("/dev/nothing", set()),
    ],
)
def test_the_disks_below(stacked: Tree, path: str, expected: set[str]) -> None:
    """Down to whole disks, through encryption, mirrors and the members of a btrfs."""
    found = mounts.parse((stacked.root / "mountinfo").read_text())
    assert devices(path, found, stacked.root) == expected
    assert devices("/srv/part", [], stacked.root) == set()


@pytest.mark.parametrize(
    ("pattern", "expected"), [("/srv/a*/b", "/srv"), ("/srv/copies", "/srv/copies"), ("/*", "/"), ("/srv/[ab]", "/srv")]
)
def test_the_fixed_part_of_a_pattern(pattern: str, expected: str) -> None:
    """The folder above the first wildcard."""
    assert fixed_part(pattern) == expected
