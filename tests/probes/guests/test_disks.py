"""Disks of guests: errors below a real QEMU (its own blkdebug), and images as qemu-img makes and damages them."""

import asyncio
import shutil
import subprocess
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.probes.machines import machine, short_folder
from tests.probes.monitors import drive, replies
from tests.support.needs import need
from watchkeeper.model.observation import Condition
from watchkeeper.probes.guests.disks import DiskErrors, GuestDisks, counted, errors_condition, images_condition
from watchkeeper.probes.guests.qmp import Drive, Guest, ImageState, ask, understand

NOW = datetime(2026, 11, 30, 12, tzinfo=UTC)
DAY_S = 86_400.0


@pytest.fixture
async def folder() -> AsyncIterator[Path]:
    """A folder with a short path."""
    async with short_folder() as found:
        yield found


def img(*words: str) -> None:
    """Run qemu-img."""
    program = shutil.which("qemu-img")
    need(program, "qemu-img (qemu-utils) is not installed")
    subprocess.run([str(program), *words], check=True, capture_output=True, timeout=60)


async def asked_until_failed(path: Path) -> Guest:
    """What the monitor says once a read has failed."""
    async with asyncio.timeout(90):
        for _ in range(450):
            guest = await ask(str(path), 20)
            if any(any(disk.failed) for disk in guest.disks):
                return guest
            await asyncio.sleep(0.2)
    pytest.fail("no read has failed after 450 looks")


async def test_an_error_below_a_guest_that_runs_on(folder: Path) -> None:
    """Its firmware reads the first sector and gets an error: QEMU counts it, and the guest keeps running."""
    img("create", "-f", "raw", str(folder / "hub.raw"), "8M")
    rules = folder / "rules"
    rules.write_text('[inject-error]\nevent = "read_aio"\nerrno = "5"\n')
    disk = f"file=blkdebug:{rules}:{folder}/hub.raw,format=raw,if=virtio,id=hub"
    async with machine(folder / "hub.qmp", "hide-hub", "-drive", disk):
        guest = await asked_until_failed(folder / "hub.qmp")
    assert guest.state == "running"
    errors = counted(GuestDisks(), guest, NOW, DAY_S)
    seen = errors_condition("hide-hub", guest, errors, NOW, DAY_S)
    assert (seen.ok, seen.grave) == (False, True)
    assert seen.reason.startswith("disk hub (")
    assert seen.reason.endswith(("1 read failed", "reads failed"))


async def test_no_error_below_a_guest_that_runs(folder: Path) -> None:
    """The same machine without the injected error."""
    img("create", "-f", "raw", str(folder / "hub.raw"), "8M")
    async with machine(folder / "hub.qmp", "hide-hub", "-drive", f"file={folder}/hub.raw,format=raw,if=virtio,id=hub"):
        guest = await ask(str(folder / "hub.qmp"), 20)
    assert errors_condition("hide-hub", guest, counted(GuestDisks(), guest, NOW, DAY_S), NOW, DAY_S).ok
    assert images_condition("hide-hub", guest, NOW, DAY_S, 0).ok


async def test_images_as_qemu_describes_them(folder: Path) -> None:
    """An overlay on an image, and a snapshot inside: both are named, and judged by their limits."""
    base, over = folder / "base.qcow2", folder / "over.qcow2"
    img("create", "-f", "qcow2", str(base), "8M")
    img("create", "-f", "qcow2", "-b", str(base), "-F", "qcow2", str(over))
    img("snapshot", "-c", "before-upgrade", str(over))
    async with machine(folder / "hub.qmp", "hide-hub", "-S", "-drive", f"file={over},if=virtio,id=hub"):
        guest = await ask(str(folder / "hub.qmp"), 20)
    (disk,) = guest.disks
    assert disk.image.layers == (str(base),)
    ((name, made_s),) = disk.image.snapshots
    assert name == "before-upgrade"
    assert abs(made_s - datetime.now(UTC).timestamp()) < 600
    now = datetime.fromtimestamp(made_s, UTC)
    assert images_condition("hide-hub", guest, now, DAY_S, 3).ok
    old = images_condition("hide-hub", guest, now + timedelta(days=45), 30 * DAY_S, 3)
    assert old.reason.endswith("holds the snapshot before-upgrade, 45d old, limit 30d")
    assert not old.grave
    many = images_condition("hide-hub", guest, now, DAY_S, 0)
    assert many.reason == f"disk hub ({over}) lies on 1 other images, limit 0"
    assert ("images below hub", str(base)) in many.facts


async def test_an_image_that_is_marked_corrupt(folder: Path) -> None:
    """The bit of the header that QEMU sets when it finds damage: incompatible_features bit 1, docs/interop/qcow2.rst.

    Such an image can only be opened for reading.
    """
    path = folder / "hub.qcow2"
    img("create", "-f", "qcow2", str(path), "8M")
    with path.open("r+b") as file:
        file.seek(72 + 7)
        file.write(b"\x02")
    drive = f"file={path},format=qcow2,if=virtio,id=hub,readonly=on"
    async with machine(folder / "hub.qmp", "hide-hub", "-S", "-drive", drive):
        guest = await ask(str(folder / "hub.qmp"), 20)
    seen = images_condition("hide-hub", guest, NOW, DAY_S, 3)
    assert (seen.ok, seen.grave) == (False, True)
    assert seen.reason == f"marked corrupt by QEMU: disk hub ({path})"


def guest_with(*failed: int, name: str = "vda") -> Guest:
    """A guest whose disk has these counts of failed reads, writes and flushes."""
    return Guest("hide-hub", "running", disks=(Drive(name, "/skerry/hub.raw", "ok", failed=(*failed,)),))  # type: ignore[arg-type]


def test_errors_over_time() -> None:
    """They count until a day after the last one, and begin again with the guest's process."""
    at, errors = NOW, GuestDisks()

    def look(*failed: int) -> Condition:
        nonlocal errors
        guest = guest_with(*failed)
        errors = counted(errors, guest, at, DAY_S)
        return errors_condition("hide-hub", guest, errors, at, DAY_S)

    assert look(0, 0, 0).ok
    assert look(1, 0, 0).reason == "disk vda (/skerry/hub.raw): 1 read failed"
    at += timedelta(hours=20)
    assert look(1, 2, 1).reason == "disk vda (/skerry/hub.raw): 1 read, 2 writes, 1 flush failed"
    at += timedelta(hours=23)
    assert not look(1, 2, 1).ok
    at += timedelta(hours=2)
    assert look(1, 2, 1).ok
    assert look(0, 0, 0).ok
    assert look(0, 1, 0).reason == "disk vda (/skerry/hub.raw): 1 write failed"


def test_a_disk_that_is_taken_away() -> None:
    """What is known of it goes with it."""
    errors = counted(GuestDisks(disks={"vdb": DiskErrors(counts=(9, 0, 0))}), guest_with(0, 0, 0), NOW, DAY_S)
    assert list(errors.disks) == ["vda"]


@pytest.mark.parametrize("made_s", [0, 2**62, -5])
def test_snapshots_with_odd_times(made_s: int) -> None:
    """A time that is none, or lies ahead, makes no snapshot old."""
    disk = replace(guest_with(0, 0, 0).disks[0], image=ImageState(snapshots=(("before", made_s),)))
    seen = images_condition("hide-hub", Guest("hide-hub", "running", disks=(disk,)), NOW, 1e12, 3)
    assert seen.ok


def test_an_image_that_makes_no_sense() -> None:
    """The guest's state does not depend on what is said of an image."""
    entry = drive()
    entry["inserted"]["image"] |= {"snapshots": [{"date-sec": "yesterday"}]}
    guest = understand(replies(drives=[entry]))
    assert guest.state == "running"
    assert guest.disks[0].image == ImageState()
    assert guest.disks[0].size_bytes is None


def test_layers_without_end() -> None:
    """Of a chain of 150 images a hundred are read."""
    entry = drive()
    image = entry["inserted"]["image"]
    for number in range(150):
        image["backing-image"] = {"filename": f"/skerry/{number}"}
        image = image["backing-image"]
    assert len(understand(replies(drives=[entry])).disks[0].image.layers) == 100
