"""Which mounts can fill, from the kernel's list: real ones and hostile ones."""

import os
from itertools import count
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.filesystems.mounts import Mount

NUMBERS = count(100)


def line(point: str, *, device: str = "8:1", kind: str = "ext4", root: str = "/", **more: str) -> str:
    """One line of mountinfo, mounted on the root mount (id 1) with an id of its own."""
    number = more.get("id", str(next(NUMBERS)))
    return (
        f"{number} {more.get('parent', '1')} {device} {root} {point} {more.get('options', 'rw,relatime')} shared:1 - "
        f"{kind} {more.get('source', '/dev/sda1')} {more.get('kernel', 'rw')}"
    )


ROOT = line("/", device="254:0", id="1", parent="0", source="/dev/vda")


def watched(*lines: str, kept: tuple[str, ...] = ()) -> list[str]:
    """The mount points that are watched by default for a list of mounts beneath an ordinary root."""
    found = [m for m in mounts.parse("\n".join([ROOT, *lines, ""])) if mounts.nameable(m)]
    return [m.point for m in mounts.one_for_each_device(found, kept) if mounts.can_fill(m) and m.point != "/"]


def test_a_storage_server(samples: Path) -> None:
    """Of the list of a real server with ZFS, btrfs and md, what can fill is found, and nothing else."""
    found = mounts.parse((samples / "mountinfo-storage-server.txt").read_text())
    chosen = [m for m in mounts.one_for_each_device(found) if mounts.can_fill(m)]
    assert [(m.point, m.type, m.source) for m in chosen] == [
        ("/", "ext4", "/dev/vda"),
        ("/data", "btrfs", "/dev/disk/by-id/virtio-rigdata3"),
        ("/mnt/md", "ext4", "/dev/md0"),
        ("/tank", "zfs", "tank"),
        ("/tank/backup", "zfs", "tank/backup"),
        ("/tank/home", "zfs", "tank/home"),
        ("/tank/vm", "zfs", "tank/vm"),
    ]


def test_this_machine() -> None:
    """The list of the machine that runs this test is read whole, and its root is watched."""
    text = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="surrogateescape")
    found = mounts.parse(text)
    assert 0 < len(found) <= text.count("\n")
    assert any(m.point == "/" for m in found if mounts.can_fill(m))
    assert all(os.path.ismount(m.point) for m in found if m.point in ("/", "/proc", "/sys"))


@pytest.mark.parametrize(
    "dull",
    [
        line("/proc", kind="proc", source="proc"),
        line("/mnt/auto", kind="autofs", source="systemd-1"),
        line("/snap/x/1", kind="squashfs", source="/dev/loop3", options="ro", kernel="ro"),
        line("/media/disc", kind="iso9660", source="/dev/sr0", options="ro", kernel="ro"),
        line("/usr/image", kind="erofs", source="/dev/loop4", options="ro", kernel="ro"),
        line("/mnt/old", kind="ext4", options="ro,relatime", kernel="ro"),
        line("/tank/.zfs/snapshot/monday", kind="zfs", source="tank@monday", options="ro", kernel="ro"),
        line("/mnt/far", kind="nfs4", source="store.example.org:/export"),
        line("/mnt/share", kind="cifs", source="//store.example.org/x"),
        line("/mnt/host", kind="virtiofs", source="share"),
        line("/mnt/cloud", kind="fuse.anything", source="anything"),
        line("/mnt/other", kind="fuse", source="anything"),
        line("/var/lib/x/merged", kind="overlay", source="overlay"),
        line("/run/user/1000", kind="tmpfs", source="tmpfs"),
        line("/run/credentials/x", kind="tmpfs", source="tmpfs", options="ro"),
        line("/dev/shm", kind="tmpfs", source="tmpfs"),
        line("/sys/fs/cgroup", kind="tmpfs", source="tmpfs"),
        line("/var/lib/x/shm", kind="tmpfs", source="shm"),
        line("/root/secrets", kind="ramfs", source="ramfs"),
    ],
)
def test_what_cannot_fill_is_not_watched(dull: str) -> None:
    """Views of the kernel, images, network and layered file systems, and the system's own tmpfs are left out."""
    assert watched(dull) == []


@pytest.mark.parametrize(
    "full",
    [
        line("/srv", kind="xfs"),
        line("/boot/efi", kind="vfat", source="/dev/nvme0n1p1"),
        line("/mnt/image", kind="ext4", source="/dev/loop0"),
        line("/mnt/usb", kind="fuseblk", source="/dev/sdb1"),
        line("/tmp", kind="tmpfs", source="tmpfs"),
        line("/running", kind="tmpfs", source="tmpfs"),
        line("/srv", kind="ext4", options="ro,relatime", kernel="rw"),
        line("/srv", kind="ext4", options="rw,relatime", kernel="ro,errors=remount-ro"),
        line("/srv", kind="a-later-one", source="/dev/sdz"),
    ],
)
def test_what_can_fill_is_watched(full: str) -> None:
    """Disks, boot partitions, writable images and other tmpfs are watched; so is what the kernel made read-only."""
    assert watched(full) == [full.split(" ")[4]]


def test_an_overlay_at_the_root_is_all_that_a_container_sees() -> None:
    """In a container the root is an overlay, and the only view of the space that it writes to."""
    (root,) = mounts.parse("1 0 0:50 / / rw - overlay overlay rw,lowerdir=/l,upperdir=/u")
    assert mounts.can_fill(root)


def test_bind_mounts_and_subvolumes_share_one_space() -> None:
    """Of several mounts of one device the shortest path is watched, and of two as short the first."""
    assert watched(
        line("/var/lib/guests/hide-hub", root="/guests"), line("/srv"), line("/opt"), line("/mnt", device="8:2")
    ) == ["/mnt", "/srv"]
    assert watched(
        line("/home", kind="btrfs", device="0:45", root="/@home"), line("/var/log", kind="btrfs", device="0:45")
    ) == ["/home"]


def test_a_chosen_mount_point_stays_chosen() -> None:
    """A bind mount that comes later, at a shorter path, does not rename what is watched."""
    lines = [line("/var/lib/guests"), line("/g", root="/guests")]
    assert watched(*lines) == ["/g"]
    assert watched(*lines, kept=("/var/lib/guests",)) == ["/var/lib/guests"]


def test_a_folder_bound_from_the_systems_own_tmpfs_is_left_out() -> None:
    """A service without access to /home sees a folder of /run there: it is no file system of the operator's."""
    assert watched(
        line("/run", device="0:23", kind="tmpfs", source="tmpfs"),
        line("/home", device="0:23", kind="tmpfs", source="tmpfs", root="/systemd/inaccessible/dir", options="ro"),
    ) == []  # fmt: skip


def test_what_is_mounted_over_is_left_out() -> None:
    """A mount that is hidden beneath another one, at its own path or above, cannot be reached."""
    below = line("/srv", id="20", device="8:1")
    over = line("/srv", id="21", device="8:2", parent="20")
    assert watched(below, over) == ["/srv"]
    assert [m.device for m in mounts.parse(f"{ROOT}\n{below}\n{over}")] == ["254:0", "8:2"]
    inner = line("/srv/photos", id="22", device="8:3", parent="20")
    assert watched(below, inner) == ["/srv", "/srv/photos"]
    assert [m.device for m in mounts.parse(f"{ROOT}\n{below}\n{inner}\n{over}")] == ["254:0", "8:2"]
    reached = line("/srv/photos", id="23", device="8:4", parent="21")
    assert [m.device for m in mounts.parse(f"{ROOT}\n{below}\n{inner}\n{over}\n{reached}")] == ["254:0", "8:2", "8:4"]


def test_a_view_without_a_root_is_taken_as_it_is() -> None:
    """Where the list does not begin at the root, nothing is known of what hides what."""
    assert [m.point for m in mounts.parse(line("/srv"))] == ["/srv"]


def test_mounts_that_name_each_other_come_to_an_end() -> None:
    """A list that no kernel would write (mounts on each other at one place) is still read in finite time."""
    text = "\n".join(
        [ROOT, line("/", id="5", parent="1"), line("/", id="1", parent="5"), line("/", id="5", parent="5")]
    )
    assert mounts.parse(text)


def test_names_are_unescaped() -> None:
    """The kernel writes space, tab, newline, backslash and # in octal; other odd characters stay as they are."""
    (_, found) = mounts.parse(ROOT + "\n" + line(r"/srv/a\040b\011c\012d\134e\043f\u00a0\u2028g", source=r"my\040disk"))
    assert (found.point, found.source) == ("/srv/a b\tc\nd\\e#f\\u00a0\\u2028g", "my disk")
    (_, found) = mounts.parse(ROOT + "\n" + line("/srv/a\u00a0b\u2028c\x0bd\x85"))
    assert found.point == "/srv/a\u00a0b\u2028c\x0bd\x85"


def test_optional_fields_may_be_absent_or_many() -> None:
    """proc(5): zero or more optional fields stand before the dash; the source may be empty."""
    text = "30 1 8:1 / /a rw - ext4 /dev/sda rw\n31 1 8:2 / /b rw shared:1 master:2 unbindable - tmpfs  rw"
    assert [(m.point, m.source) for m in mounts.parse(text)] == [("/a", "/dev/sda"), ("/b", "")]


@pytest.mark.parametrize(
    "text",
    ["", "\n\n", "x 1 8:1 / /a rw - ext4 /dev/sda rw", "30 1 8:1 / /a rw ext4 /dev/sda rw", "30 1 8:1 - ext4", " - "],
)
def test_other_lines_are_passed_over(text: str) -> None:
    """A line that is not in the format is not a mount, and no error."""
    assert mounts.parse(text) == []


@pytest.mark.parametrize(
    ("options", "kernel", "fell"),
    [
        ("rw", "rw", False),
        ("ro", "ro", False),
        ("ro", "rw", False),
        ("rw", "ro", True),
        ("rw", "rw,errors=remount-ro", False),
        ("rw", "rw,errors=remount-ro,emergency_ro", True),
    ],
)
def test_the_kernels_own_read_only_is_told_from_the_keepers(options: str, kernel: str, fell: bool) -> None:  # noqa: FBT001
    """Read-only in the kernel's list alone is what an error leaves behind."""
    (_, found) = mounts.parse(ROOT + "\n" + line("/srv", options=options, kernel=kernel))
    assert found.fell_read_only is fell


def escape(path: str) -> str:
    """As the kernel's seq_path() does it."""
    return "".join(f"\\{ord(c):03o}" if c in " \t\n\\#" else c for c in path)


paths = st.text(st.characters(blacklist_characters="\0", blacklist_categories=()), max_size=20)


@given(st.lists(st.tuples(paths, paths), max_size=5))
def test_any_path_comes_back(names: list[tuple[str, str]]) -> None:
    """Whatever mount points and devices are called, they are read back as they were."""
    wanted = [(f"/{n}{point}", source) for n, (point, source) in enumerate(names) if "/" not in point]
    text = "\n".join([ROOT, *(line(escape(p), id=str(n + 10), source=escape(s)) for n, (p, s) in enumerate(wanted))])
    assert [(m.point, m.source) for m in mounts.parse(text)[1:]] == wanted


@given(st.text())
def test_no_text_breaks_the_reader(text: str) -> None:
    """Any text at all is read without an error."""
    assert all(isinstance(m, Mount) for m in mounts.parse(text))


def test_globs_and_folders() -> None:
    """`*` matches a slash too, and a folder holds itself and what is in it, not what begins alike."""
    assert mounts.matches("/mnt/a/b", ["/mnt/*"])
    assert not mounts.matches("/mntx", ["/mnt/*"])
    assert mounts.below("/run", ["/run"])
    assert mounts.below("/run/x", ["/run/"])
    assert not mounts.below("/running", ["/run"])
