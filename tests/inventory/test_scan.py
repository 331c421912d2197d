"""What there is for a plan: on real samples of the tools, with real images, and with a real guest."""

import json
import os
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import pytest

from tests.inventory.places import known, mounted
from tests.probes.machines import machine, short_folder
from tests.probes.monitors import MIB, drive, monitor, replies
from tests.probes.toolbox import SAMPLES, Toolbox, sample
from watchkeeper.clock import Clock
from watchkeeper.errors import StillHanging
from watchkeeper.inventory.scan import ground_of, look
from watchkeeper.inventory.scan_context import StorageBelow
from watchkeeper.inventory.storage import lvm as look_lvm
from watchkeeper.inventory.storage import zfs as look_zfs
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.planning.host_state import Disk, HostNow, StoreKind, Volume
from watchkeeper.privileged import commands
from watchkeeper.privileged import process as running
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests.changes import KnownGuest
from watchkeeper.probes.guests.guests import GuestsState
from watchkeeper.probes.storage.zfs import devices as zfs_devices
from watchkeeper.probes.support.workers import ThreadWorkers

T = TypeVar("T")

GUESTS = "guests"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """The kernel's trees of a host with 1 GiB and nothing mounted but its root."""
    (tmp_path / "proc/self").mkdir(parents=True)
    (tmp_path / "proc/meminfo").write_text("MemTotal: 1048576 kB\nMemAvailable: 524288 kB\n")
    mount(tmp_path)
    return tmp_path


def mount(root: Path, *mounts: tuple[str, str, str]) -> None:
    """Mount these: where, type and source."""
    mounted(root, *mounts)
    (root / "mountinfo").replace(root / "proc/self/mountinfo")


def mounted_here(root: Path) -> None:
    """Mount what this machine has mounted."""
    (root / "proc/self/mountinfo").write_bytes(Path("/proc/self/mountinfo").read_bytes())


@pytest.fixture
async def folder() -> AsyncIterator[Path]:
    """Where the guests' monitors are."""
    async with short_folder() as made:
        yield made


@pytest.fixture
def toolbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """No tool of storage is installed, until one is put there."""
    return Toolbox(tmp_path, monkeypatch)


def datasets() -> str:
    """The real list of datasets, cut to the columns that are asked for, its pool called skerry."""
    rows = [line.split("\t") for line in sample("zfs-list-more.txt").stdout.replace("tank", "skerry").splitlines()]
    return "".join("\t".join([*row[:7], *row[8:11], row[13], "1795582573"]) + "\n" for row in rows)


def zfs(toolbox: Toolbox) -> None:
    """ZFS as it was captured on a real host."""
    taken = sample("zfs-list-snapshots.txt").stdout.replace("tank", "skerry").splitlines()
    cut = "".join("\t".join(line.split("\t")[:3]) + "\n" for line in taken)
    toolbox.answers("zfs", [("filesystem,volume", datasets()), ("snapshot", cut)])


def lvm(toolbox: Toolbox) -> None:
    """LVM as it was captured on a real host."""
    toolbox.says("lvs", sample("lvs-nosuffix.json").stdout)
    toolbox.says("vgs", sample("vgs.json").stdout)
    toolbox.says("dmsetup", sample("dmsetup-status.txt").stdout)


def guests(folder: Path) -> dict[str, object]:
    """The settings of a probe of guests."""
    return {"kind": GUESTS, "sockets": [f"{folder}/*.qmp"], "timeout": 5, "helper": str(folder / "none.sock")}


def store(host: HostNow, subject: str) -> SeriesKey:
    """The key of the store with this subject."""
    return next(each.key for each in host.stores if each.key.subject == subject)


async def test_a_host_with_nothing_to_see(bench: ProbeContext, root: Path, toolbox: Toolbox) -> None:
    """Tools that are not installed are nothing that is missing; that no guests are watched is told with the remedy."""
    assert not list(toolbox.folder.iterdir())
    host = await look(known(), bench, root)
    assert (host.memory_bytes, host.available_bytes, host.cpus) == (2**30, 2**29, os.cpu_count())
    assert [each for each in host.stores if each.kind is not StoreKind.FILES] == []
    assert host.unseen == ('guests: no probe of kind "guests" is configured, so guests and their disks are not known',)


async def test_pools_as_they_were_captured(bench: ProbeContext, root: Path, toolbox: Toolbox) -> None:
    """Used and capacity are those of the pool's root dataset, volumes promise their size, file systems their quota."""
    zfs(toolbox)
    host = await look(known(), bench, root)
    assert not any(why.startswith("ZFS") for why in host.unseen), host.unseen
    (pool,) = (each for each in host.stores if each.kind is StoreKind.ZFS)
    rows = [row.split("\t") for row in datasets().splitlines()]
    first = next(row for row in rows if row[0] == "skerry")
    assert pool.key == SeriesKey("pool skerry", "space")
    assert (pool.used_bytes, pool.capacity_bytes) == (int(first[2]), int(first[2]) + int(first[3]))
    assert {each.name for each in pool.volumes} == {row[0] for row in rows}
    for row in rows:
        volume = next(each for each in pool.volumes if each.name == row[0])
        limits = [int(text) for text in row[8:11] if text.isdecimal() and int(text) > 0]
        assert volume.promised_bytes == min(limits, default=None), row[0]
        assert (volume.own_bytes, volume.set_aside_bytes) == (int(row[5]), int(row[7]))
    assert len(pool.snapshots) == len(sample("zfs-list-snapshots.txt").stdout.splitlines())


async def test_thin_pools_as_they_were_captured(bench: ProbeContext, root: Path, toolbox: Toolbox) -> None:
    """The pool by the kernel's own blocks; a snapshot is no volume that will be written, but one of its origin."""
    lvm(toolbox)
    if os.geteuid():
        pytest.skip("root's side is asked directly here")
    host = await look(known(), bench, root)
    (pool,) = (each for each in host.stores if each.kind is StoreKind.THIN)
    rows = json.loads(sample("lvs-nosuffix.json").stdout)["report"][0]["lv"]
    thin = {f"{row['vg_name']}/{row['lv_name']}": row for row in rows if row["lv_attr"].startswith("V")}
    of = {name: row["origin"] for name, row in thin.items()}
    assert {each.name: each.promised_bytes for each in pool.volumes} == {
        name: int(thin[name]["lv_size"]) for name, origin in of.items() if not origin
    }
    assert {each.name for each in pool.snapshots} == {name.partition("/")[2] for name, origin in of.items() if origin}
    assert 0 < pool.used_bytes <= pool.capacity_bytes


async def test_a_tool_that_fails_is_told_and_nothing_else_suffers(
    bench: ProbeContext, root: Path, toolbox: Toolbox
) -> None:
    """A pool that is suspended makes `zfs list` say nothing that can be used; the rest is seen."""
    toolbox.says("zfs", "", status=1, stderr="internal error: cannot open /dev/zfs")
    host = await look(known({"kind": "filesystems"}), bench, root)
    assert any(why.startswith("ZFS: zfs ended with status 1: internal error") for why in host.unseen)
    assert host.memory_bytes


async def test_a_real_guest_and_its_disks(bench: ProbeContext, root: Path, folder: Path, toolbox: Toolbox) -> None:
    """Its memory, CPUs and both disks, with what the images hold: as QEMU and stat say."""
    assert not list(toolbox.folder.iterdir())
    hub, cams = folder / "hide hub.raw", folder / "nest-cams.raw"
    hub.write_bytes(bytes(MIB) + b"x" * MIB)
    with cams.open("wb") as file:
        file.truncate(64 * MIB)
    options = [each for path in (hub, cams) for each in ("-drive", f"file={path},if=virtio,format=raw")]
    mounted_here(root)
    async with machine(folder / "hub.qmp", "hide-hub", "-S", "-smp", "2", *options):
        host = await look(known(guests(folder)), bench, root)
    (guest,) = host.guests
    assert (guest.name, guest.running, guest.memory_bytes, guest.vcpus) == ("hide-hub", False, 64 * MIB, 2)
    assert {disk.path: disk.size_bytes for disk in guest.disks} == {str(hub): 2 * MIB, str(cams): 64 * MIB}
    keys = {disk.store for disk in guest.disks}
    assert len(keys) == 1
    assert None not in keys
    (holding,) = (each for each in host.stores if each.key in keys)
    assert set(holding.volumes) == {
        Volume(str(hub), 2 * MIB, hub.stat().st_blocks * 512),
        Volume(str(cams), 64 * MIB, 0),
    }


async def test_disks_on_a_pool(bench: ProbeContext, root: Path, folder: Path, toolbox: Toolbox) -> None:
    """A volume by its link, a file by the dataset that is mounted there; a disk on nothing that is seen is told."""
    zfs(toolbox)
    mount(root, ("/skerry/images", "zfs", "skerry/images"))
    drives = [
        drive(device="virtio0", file="/dev/zvol/skerry/hide-hub"),
        drive(device="virtio1", file="/skerry/images/cams.raw"),
        drive(device="virtio2", file="/dev/mapper/elsewhere"),
    ]
    async with monitor(folder / "hub.qmp", replies("hide-hub", drives=drives)):
        host = await look(known(guests(folder)), bench, root)
    (guest,) = host.guests
    pool = store(host, "pool skerry")
    assert guest.running
    assert guest.disks == (
        Disk("/dev/zvol/skerry/hide-hub", 32 * MIB, pool, "skerry/hide-hub"),
        Disk("/skerry/images/cams.raw", 32 * MIB, pool, "skerry/images"),
        Disk("/dev/mapper/elsewhere", 32 * MIB, None, None),
    )
    assert "guest hide-hub: its disk /dev/mapper/elsewhere is on no store that is visible here" in host.unseen
    assert any("its size on disk cannot be read" in why for why in host.unseen)
    images = [each for s in host.stores if s.key == pool for each in s.volumes if each.name.startswith("/")]
    assert images == [Volume("/skerry/images/cams.raw", 32 * MIB, None)]


async def test_guests_that_do_not_run(bench: ProbeContext, root: Path, folder: Path, toolbox: Toolbox) -> None:
    """They count as they were seen last; one that was never seen with its disks is told."""
    assert not list(toolbox.folder.iterdir())
    page = GuestsState(
        names={"/a.qmp": "tide-log", "/b.qmp": "ringing-db"},
        known={"tide-log": KnownGuest(disks={"/dev/vg0/tide": 2**30}, memory_bytes=2**29, vcpus=1)},
    )
    notes = MemoryStateStore()
    await notes.write(GUESTS, page.model_dump_json())
    host = await look(known(guests(folder)), replace(bench, probe_states=notes), root)
    assert [(g.name, g.running, g.memory_bytes, g.vcpus) for g in host.guests] == [
        ("tide-log", False, 2**29, 1),
        ("ringing-db", False, None, None),
    ]
    assert "guest ringing-db: it is not running, and its disks were never seen" in host.unseen


async def test_a_monitor_that_says_nothing_of_use(
    bench: ProbeContext, root: Path, folder: Path, toolbox: Toolbox
) -> None:
    """Whether the guest runs is not known then, and why is told."""
    assert not list(toolbox.folder.iterdir())
    async with monitor(folder / "hub.qmp", replies(), first=b'{"hello": 1}\r\n'):
        host = await look(known(guests(folder)), bench, root)
    assert [(g.name, g.running) for g in host.guests] == [("hub", None)]
    assert any(why.startswith("guest hub: the greeting is not that of a QMP monitor") for why in host.unseen)


def test_a_volume_by_any_of_its_paths(tmp_path: Path) -> None:
    """The link of udev, the device that it leads to, and a name that holds spaces, as OpenZFS allows."""
    device = tmp_path / "zd16"
    device.touch()
    (tmp_path / "zvol/skerry/hides").mkdir(parents=True)
    (tmp_path / "zvol/skerry/hides/north door").symlink_to(device)
    found = zfs_devices.links(tmp_path / "zvol")
    expected = StorageBelow("pool skerry", "skerry/hides/north door")
    for path in (device, tmp_path / "zvol/skerry/hides/north door"):
        assert look_zfs.of_device(found, str(path)) == expected
    assert look_zfs.of_device(found, "/dev/sda") is None


def test_a_thin_volume_by_any_of_its_paths(tmp_path: Path) -> None:
    """By group and name, and by the kernel's number of the device."""
    inside = {"vg0/hide-hub": "thin pool vg0/thin"}
    expected = StorageBelow("thin pool vg0/thin", "vg0/hide-hub")
    assert look_lvm.of_device({}, inside, "/dev/vg0/hide-hub") == expected
    assert look_lvm.of_device({"dm-7": "vg0/hide-hub"}, inside, "/dev/dm-7") == expected
    assert look_lvm.of_device({"dm-7": "vg0/hide-hub"}, inside, "/dev/dm-8") is None
    assert look_lvm.of_device({}, inside, str(tmp_path / "hub.raw")) is None


def test_a_link_to_an_image(tmp_path: Path) -> None:
    """A path that nothing holds is followed to where it leads."""
    target, link = tmp_path / "images/hub.raw", tmp_path / "hub.raw"
    target.parent.mkdir()
    target.touch()
    link.symlink_to(target)

    def place(path: str) -> StorageBelow | None:
        return StorageBelow("file system /srv", path) if path.startswith(str(target.parent)) else None

    assert ground_of(str(link), [place]) == StorageBelow("file system /srv", str(target))
    assert ground_of("/nowhere", [place]) is None


def btrfs(root: Path, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A btrfs with the tables of a real one, whose devices may not be asked; a folder of ours stands for its mount."""
    point = root / "data"
    point.mkdir()
    mount(root, (str(point), "btrfs", "/dev/loop0"))
    for name, text in json.loads((SAMPLES / "sysfs-btrfs.json").read_text()).items():
        path = root / "sys/fs/btrfs/5d7b" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    toolbox.says("btrfs", sample("btrfs-subvol-list-s.txt").stdout)
    monkeypatch.setattr(commands, "MOUNTS", root / "proc/self/mountinfo")
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    return point


async def test_a_btrfs_as_it_was_captured(
    bench: ProbeContext, root: Path, folder: Path, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The level is the one that its probe watches; snapshots are those of the whole of it, and so an image has them."""
    point = btrfs(root, toolbox, monkeypatch)
    async with monitor(folder / "hub.qmp", replies("hide-hub", drives=[drive(file=f"{point}/vms/hub.raw")])):
        host = await look(known(guests(folder)), bench, root)
    tables = json.loads((SAMPLES / "sysfs-btrfs.json").read_text())
    (found,) = (each for each in host.stores if each.kind is StoreKind.BTRFS)
    assert found.key == SeriesKey(f"btrfs {point}", "data")
    assert found.used_bytes == int(tables["allocation/data/bytes_used"])
    assert [(each.volume, each.name) for each in found.snapshots] == [(str(point), ".snapshots/vms-1")]
    (disk,) = host.guests[0].disks
    assert (disk.store, disk.volume) == (found.key, str(point))


async def test_a_btrfs_that_cannot_be_seen(
    bench: ProbeContext, root: Path, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without its tables, and without its snapshots: both are told, each by itself."""
    point = btrfs(root, toolbox, monkeypatch)
    toolbox.says("btrfs", "", status=1, stderr="ERROR: not a btrfs filesystem")
    (root / "sys").rename(root / "gone")
    host = await look(known(), bench, root)
    assert any(why.startswith(f"btrfs {point}: its space cannot be read: nothing under") for why in host.unseen)
    assert "snapshots of btrfs: btrfs ended with status 1: ERROR: not a btrfs filesystem" in host.unseen
    (toolbox.folder / "btrfs").unlink()
    monkeypatch.setattr(running, "PATH", str(toolbox.folder))  # The real one may be installed on this machine.
    host = await look(known(), bench, root)
    assert "snapshots of btrfs: btrfs is not installed; install it (in Debian: btrfs-progs)" in host.unseen


async def test_a_file_system_that_may_not_be_looked_at(bench: ProbeContext, root: Path, toolbox: Toolbox) -> None:
    """A mount that is gone by the time it is asked is told like any other trouble."""
    assert not list(toolbox.folder.iterdir())
    mount(root, ("/nowhere/skerry", "ext4", "/dev/sdz9"))
    host = await look(known({"kind": "filesystems", "only": ["/nowhere/skerry"]}), bench, root)
    assert host.stores == ()
    assert "file system /nowhere/skerry: cannot be read: No such file or directory" in host.unseen


async def test_workers_that_still_hang(root: Path, folder: Path, toolbox: Toolbox) -> None:
    """Where following the disks' links hangs, no disk is placed, and each is told as not found."""
    assert not list(toolbox.folder.iterdir())

    class Hanging(ThreadWorkers):
        async def call(self, thing: str, work: Callable[[], T], timeout_s: float) -> T:
            if thing == "the guests' disks" or thing.startswith("image "):
                raise StillHanging(f"{thing} still hangs")
            return await super().call(thing, work, timeout_s)

    workers = Hanging()
    try:
        async with monitor(folder / "hub.qmp", replies("hide-hub")):
            host = await look(known(guests(folder)), ProbeContext(Clock(), workers), root)
    finally:
        workers.close()
    assert host.guests[0].disks[0].store is None
    assert "image /skerry/hide-hub.raw: image /skerry/hide-hub.raw still hangs" in host.unseen


async def test_sockets_that_cannot_be_looked_for(
    bench: ProbeContext, root: Path, folder: Path, toolbox: Toolbox
) -> None:
    """A pattern that matches far too many: the guests count as they were seen last."""
    assert not list(toolbox.folder.iterdir())
    page = GuestsState(known={"tide-log": KnownGuest(vcpus=1)})
    notes = MemoryStateStore()
    await notes.write(GUESTS, page.model_dump_json())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("watchkeeper.probes.guests.sockets.SOCKETS_LIMIT", 0)
        async with monitor(folder / "hub.qmp", replies("hide-hub")):
            host = await look(known(guests(folder)), replace(bench, probe_states=notes), root)
    assert [(g.name, g.running, g.vcpus) for g in host.guests] == [("tide-log", None, 1)]
    assert any("matches more than 0 sockets" in why for why in host.unseen)
