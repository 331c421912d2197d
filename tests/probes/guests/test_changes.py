"""What changed about guests, over the probe and their monitors."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.probes.guests.test_guests import folder, probe_of, root  # noqa: F401  fixtures
from tests.probes.monitors import monitor, replies
from watchkeeper.model.change import MemoryChangeLog
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests.changes import Between, KnownGuest
from watchkeeper.probes.guests.disk_space import images
from watchkeeper.probes.guests.qmp import Drive, Guest

NOON = datetime(2026, 11, 27, 12, tzinfo=UTC)
GIB = 2**30
OLD = KnownGuest(disks={"/skerry/db.raw": 20 * GIB, "/skerry/log.raw": None}, memory_bytes=2 * GIB, vcpus=2)


def said(before: KnownGuest, now: KnownGuest) -> list[str]:
    """What changed for a guest that runs."""
    names = frozenset({"ringing-db"})
    pair = ({"ringing-db": before}, {"ringing-db": now})
    between = Between(*pair, names, names, NOON, NOON + timedelta(seconds=30))
    return [f"{each.action} {each.detail}" for each in between.changes()]


def test_enlarged_and_reduced() -> None:
    """Memory, vCPUs and each disk; what is not known is not compared."""
    bigger = KnownGuest(disks={"/skerry/db.raw": 40 * GIB, "/skerry/log.raw": 1}, memory_bytes=4 * GIB, vcpus=1)
    assert said(OLD, bigger) == [
        "enlarged memory from 2 GiB to 4 GiB",
        "reduced from 2 to 1 vCPUs",
        "enlarged disk /skerry/db.raw from 20 GiB to 40 GiB",
    ]
    assert said(OLD, OLD) == []
    assert said(OLD, KnownGuest(disks=OLD.disks)) == []


def test_disks_that_move_come_and_go() -> None:
    """One for another has moved; else each is named."""
    moved = OLD.model_copy(update={"disks": {"/mnt/jetty/db.raw": 20 * GIB, "/skerry/log.raw": None}})
    assert said(OLD, moved) == ["moved disk /skerry/db.raw to /mnt/jetty/db.raw"]
    less = OLD.model_copy(update={"disks": {"/skerry/db.raw": 20 * GIB}})
    assert said(OLD, less) == ["changed without disk /skerry/log.raw"]
    assert said(less, OLD) == ["changed with disk /skerry/log.raw"]


async def test_the_probe_records_what_its_monitors_show(
    bench: ProbeContext,
    folder: Path,  # noqa: F811  a fixture
    root: Path,  # noqa: F811  a fixture
) -> None:
    """Nothing at the first look; then appeared, stopped and started again, also over a restart of the daemon."""
    log = MemoryChangeLog()
    bench = replace(bench, probe_states=MemoryStateStore(), changes=log)
    async with monitor(folder / "1.qmp", replies("hide-hub")):
        await probe_of(bench, folder, root).observe()
        assert log.changes == []
        async with monitor(folder / "2.qmp", replies("tide-log")):
            await probe_of(bench, folder, root).observe()
        (folder / "2.qmp").unlink(missing_ok=True)
        await probe_of(bench, folder, root).observe()
        async with monitor(folder / "2.qmp", replies("tide-log")):
            await probe_of(bench, folder, root).observe()
    assert [f"{each.what} {each.action}" for each in log.changes] == [
        "tide-log appeared",
        "tide-log stopped",
        "tide-log started",
    ]
    assert all(each.after is not None and each.after <= each.at for each in log.changes)


def test_images_are_parts_of_the_file_system_they_lie_on() -> None:
    """By the longest mount point; devices, images without a known size, and files that lie nowhere are left out."""
    disks = [("/skerry/db.raw", 7 * GIB), ("/skerry/x/new.raw", None), ("/dev/vg0/db", 1), ("pool/db", 2)]
    drives = tuple(Drive(f"d{n}", file, "ok", 20 * GIB, allocated_bytes=size) for n, (file, size) in enumerate(disks))
    (found,) = images("ringing-db", Guest("ringing-db", "running", disks=drives), ["/skerry", "/"])
    assert (found.key.subject, found.used, found.capacity) == (
        "guest ringing-db: image /skerry/db.raw",
        7 * GIB,
        20 * GIB,
    )
    assert found.part_of == SeriesKey("file system /skerry", "space")
