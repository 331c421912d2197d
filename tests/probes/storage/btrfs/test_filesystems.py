"""btrfs, from what it really said while data and metadata ran out, and from its tables as the kernel gave them."""

import fcntl
import json
import os
import struct
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.toolbox import SAMPLES, FixedClock, Toolbox, find, keys, sample, utc
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Deadline, Level, Observation
from watchkeeper.privileged import commands
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.storage.btrfs import sysfs as btrfs_sysfs
from watchkeeper.probes.storage.btrfs.filesystems import BtrfsProbe, BtrfsSettings
from watchkeeper.probes.storage.btrfs.space import (
    PROFILES,
    Profile,
    Space,
    allocatable,
    data_capacity,
    metadata_capacity,
)

NOW = utc("2026-12-01 06:00:00")
MIB, GIB = 2**20, 2**30
SINGLE, DUP, RAID1 = PROFILES["single"], PROFILES["dup"], PROFILES["raid1"]
UUID = "39db9623-1803-480b-bb06-a43048201ee5"
SCRUBBED = "Scrub started:    Wed Nov 25 07:53:53 2026\nStatus:           finished\n\tuncorrectable_errors: 0\n"


def filled(space: Space, unallocated: list[int], reserve: int = 5767168) -> float:
    """Used of what there could be: of metadata."""
    return space.used_bytes / metadata_capacity(space, unallocated, reserve, 16384)


@pytest.mark.parametrize(
    ("used", "size", "unallocated", "profile"),
    [
        (3740270592, 3740270592, [MIB], SINGLE),
        (948568064, 948568064, [MIB], SINGLE),
        (510590976, 510656512, [186646528, MIB, MIB], RAID1),
    ],
    ids=["4 GiB, Linux 6.1", "1 GiB, Linux 6.18", "mirrors of 600, 400 and 300 MiB, Linux 6.18"],
)
def test_data_is_full_exactly_when_writers_fail(used: int, size: int, unallocated: list[int], profile: Profile) -> None:
    """Measured at the first "no space". Of the mirrors, btrfs itself still estimated 90 MiB free."""
    space = Space(used, size, profile)
    assert space.used_bytes / data_capacity(space, unallocated) == pytest.approx(1.0, abs=0.0005)


@pytest.mark.parametrize(
    ("used", "size"), [(385351680, 393740288), (43925504, 53673984)], ids=["Linux 6.1", "Linux 6.18"]
)
def test_metadata_is_full_when_no_file_can_be_made(used: int, size: int) -> None:
    """Measured at the first "no space", with 500 and 265 MiB free in `df`."""
    assert filled(Space(used, size, DUP), [MIB]) == pytest.approx(1.0, abs=0.005)


def test_what_is_unallocated_counts_for_both() -> None:
    """Real figures with 3.3 GB unallocated: data takes its size of it, metadata twice; 1 MiB is never given out."""
    unallocated = 3305111552
    data = data_capacity(Space(62914560, 436207616, SINGLE), [unallocated])
    assert data == 436207616 + unallocated - MIB
    assert data == 3740270592  # what data really grew to in the end
    metadata = metadata_capacity(Space(245760, 268435456, DUP), [unallocated], 5767168, 16384)
    assert metadata == 268435456 + (unallocated - MIB) // 2 - 5767168 - 15 * 16384 * 8 * 2


@pytest.mark.parametrize(
    ("profile", "unallocated", "expected"),
    [
        ("single", [10, 20, 30], 60),
        ("dup", [10, 20, 30], 30),
        ("raid0", [10, 20, 30], 60),
        ("raid1", [10, 20, 30], 30),
        ("raid1", [10, 10, 100], 20),
        ("raid1", [100], 0),
        ("raid1", [], 0),
        ("raid1c3", [10, 20, 30], 10),
        ("raid1c3", [10, 20], 0),
        ("raid1c4", [10, 10, 10, 10, 10], 12),
        ("raid10", [10, 10, 10, 10], 20),
        ("raid5", [10, 10, 10], 20),
        ("raid5", [10, 20, 30], 30),
        ("raid6", [10, 10, 10, 10], 20),
        ("raid6", [10, 20], 0),
    ],
)
def test_what_chunks_of_each_profile_can_take(profile: str, unallocated: list[int], expected: int) -> None:
    """In GiB beyond the MiB of each device: worked out by hand from the copies and stripes of each profile."""
    devices = [each * GIB + MIB for each in unallocated]
    assert allocatable(devices, PROFILES[profile]) / GIB == pytest.approx(expected, abs=0.51)


@given(st.lists(st.integers(0, 2**50), max_size=6), st.sampled_from(sorted(PROFILES)))
def test_chunks_never_take_more_than_there_is(unallocated: list[int], name: str) -> None:
    """Whatever the devices: never below 0, never more than all of it by the copies, and more room never gives less."""
    profile = PROFILES[name]
    found = allocatable(unallocated, profile)
    assert 0 <= found * profile.copies <= sum(unallocated)
    assert allocatable([each + GIB for each in unallocated], profile) >= found


class Host:
    """A host with one btrfs, whose tables are the kernel's own."""

    def __init__(self, folder: Path, toolbox: Toolbox, bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
        self.toolbox, self.clock, self.monkeypatch = toolbox, FixedClock(NOW), monkeypatch
        self.bench = replace(bench, clock=self.clock)
        self.sysfs, self.point, self.mountinfo = folder / "sysfs", folder / "mnt", folder / "mountinfo"
        self.point.mkdir()
        for name, text in json.loads((SAMPLES / "sysfs-btrfs.json").read_text()).items():
            self.put(name, text)
        self.mounted("/dev/loop0")
        monkeypatch.setattr(commands, "MOUNTS", self.mountinfo)
        self.answers({1: (536870912, 129171456), 2: (536870912, 129171456)})
        toolbox.says("btrfs", SCRUBBED)

    def put(self, name: str, text: str) -> None:
        """Lay out one table."""
        path = self.sysfs / UUID / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)

    def mounted(self, source: str) -> None:
        """Let it be mounted from this device."""
        self.mountinfo.write_text(f"30 22 0:31 / {self.point} rw - btrfs {source} rw,subvol=/\n")

    def answers(self, devices: dict[int, tuple[int, int]]) -> None:
        """Let the kernel give these totals and uses of its devices, as BTRFS_IOC_DEV_INFO does."""

        def ioctl(_fd: int, request: int, asked: bytearray) -> None:
            assert (request, len(asked)) == (0xD000941E, 4096)
            (number,) = struct.unpack_from("=Q", asked)
            if number not in devices:
                raise OSError(19, "No such device")
            total, used = devices[number]
            struct.pack_into("=Q16sQQ", asked, 0, number, b"", used, total)

        self.monkeypatch.setattr(fcntl, "ioctl", ioctl)

    @property
    def subject(self) -> str:
        return f"btrfs {self.point}"

    def probe(self, **settings: object) -> BtrfsProbe:
        """A probe of this host."""
        return BtrfsProbe(BtrfsSettings.model_validate(settings), self.bench, self.sysfs, self.mountinfo)

    async def observe(self, **settings: object) -> list[Observation]:
        """One look of a new probe."""
        return list(await self.probe(**settings).observe())


@pytest.fixture
def host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bench: ProbeContext) -> Host:
    """A host with one sound btrfs, on which the daemon is root."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    return Host(tmp_path, Toolbox(tmp_path, monkeypatch), bench, monkeypatch)


async def test_a_sound_file_system(host: Host) -> None:
    """Two levels with what is unallocated in both; the tables are real, and so is what its devices answered."""
    seen = await host.observe()
    tables = json.loads((SAMPLES / "sysfs-btrfs.json").read_text())
    data = find(seen, host.subject, "data", Level)
    unallocated = 536870912 - 129171456
    assert data.used == int(tables["allocation/data/bytes_used"]) > 0
    assert data.capacity == int(tables["allocation/data/total_bytes"]) + unallocated - MIB
    metadata = find(seen, host.subject, "metadata", Level)
    assert metadata.used == int(tables["allocation/metadata/bytes_used"])
    assert dict(data.facts)["unallocated"] == "778 MiB"
    for quantity in ("answers", "health", "errors", "scrub errors"):
        assert find(seen, host.subject, quantity, Condition).ok
    assert find(seen, "probe btrfs", "sees all", Condition).ok


async def test_devices_that_may_not_be_asked(host: Host) -> None:
    """What is unallocated in all is spread evenly, and the fact says so; of two alike it is the same."""
    exact = find(await host.observe(), host.subject, "data", Level)
    host.answers({})
    rough = find(await host.observe(), host.subject, "data", Level)
    assert rough.capacity == exact.capacity
    assert "as if spread evenly" in dict(rough.facts)["unallocated"]
    host.point.rmdir()
    assert find(await host.observe(), host.subject, "data", Level).capacity == rough.capacity


async def test_a_file_system_with_one_kind_of_chunk(host: Host) -> None:
    """Small ones keep data and metadata together: one level, with what is set aside for metadata."""
    for table in ("bytes_used", "total_bytes", "disk_total"):
        host.put(f"allocation/mixed/{table}", "1048576")
    for kind in ("data", "metadata"):
        (host.sysfs / UUID / "allocation" / kind).rename(host.sysfs / kind)
    seen = await host.observe()
    level = find(seen, host.subject, "space", Level)
    assert level.capacity < MIB + 778 * MIB
    assert f"{host.subject}: metadata" not in keys(seen)


async def test_a_file_system_that_is_smaller_than_what_is_set_aside(host: Host) -> None:
    """A level has a capacity above 0 whatever the tables say."""
    host.answers({1: (1, 1), 2: (1, 1)})
    host.put("allocation/metadata/total_bytes", "4096")
    level = find(await host.observe(), host.subject, "metadata", Level)
    assert (level.capacity, level.used > level.capacity) == (1, True)


async def test_while_a_balance_converts_it(host: Host) -> None:
    """The profile that most chunks have counts."""
    host.put("allocation/data/single/total_bytes", "1")
    assert find(await host.observe(), host.subject, "data", Level).capacity < 500 * MIB
    host.put("allocation/data/single/total_bytes", str(GIB))
    assert find(await host.observe(), host.subject, "data", Level).capacity > 700 * MIB


async def test_a_device_that_is_missing(host: Host) -> None:
    """Faulty; its own counts cannot be read, and it is not asked."""
    host.put("devinfo/2/missing", "1\n")
    host.put("devinfo/2/error_stats", "invalid\n")
    host.put("devinfo/features", "no device\n")
    seen = await host.observe()
    assert find(seen, host.subject, "health", Condition).reason == "device 2 of 2 is missing"
    assert find(seen, host.subject, "errors", Condition).ok
    assert dict(find(seen, host.subject, "data", Level).facts)["unallocated"] == "389 MiB"


async def test_errors_that_devices_count(host: Host) -> None:
    """Since they were last reset; a kernel without that table says nothing."""
    host.put("devinfo/1/error_stats", "write_errs 0\nread_errs 3\nflush_errs 0\ncorruption_errs 7\ngeneration_errs 0\n")
    seen = await host.observe()
    assert find(seen, host.subject, "errors", Condition).reason == "device 1 has 3 read errors, 7 corruption errors"
    (host.sysfs / UUID / "devinfo/1/error_stats").unlink()
    assert find(await host.observe(), host.subject, "errors", Condition).ok


async def test_the_next_scrub_counts_from_the_last(host: Host) -> None:
    """It is remembered across a restart: one that was broken off hides it from the tool."""
    scrub = find(await host.observe(scrub_limit="10d"), host.subject, "scrub", Deadline)
    assert (scrub.last_at, scrub.due_at) == (utc("2026-11-25 07:53:53"), utc("2026-12-05 07:53:53"))
    host.toolbox.says("btrfs", SCRUBBED.replace("finished", "aborted").replace("25", "30"))
    again = find(await host.observe(scrub_limit="10d"), host.subject, "scrub", Deadline)
    assert (again.last_at, again.due_at, again.facts) == (scrub.last_at, scrub.due_at, (("last scrub", "aborted"),))


async def test_scrubs_are_asked_for_every_half_hour(host: Host) -> None:
    """Between, the deadline stands as it was told; a helper that failed is asked again at once."""
    probe = host.probe()
    host.toolbox.says("btrfs", "", status=1, stderr="no")
    assert not find(await probe.observe(), "probe btrfs", "sees all", Condition).ok
    for minute, day in ((0, "24"), (29, "25"), (30, "26")):
        host.clock.at = NOW.replace(minute=minute)
        host.toolbox.says("btrfs", SCRUBBED.replace("25", day))
        told = find(await probe.observe(), host.subject, "scrub", Deadline).last_at
        assert told == utc(f"2026-11-{'24' if minute < 30 else '26'} 07:53:53")


async def test_a_file_system_that_was_never_scrubbed(host: Host) -> None:
    """It is due one period after it was first seen, and not at once; the real report of one."""
    host.toolbox.says("btrfs", sample("btrfs-scrub-status.txt").stdout)
    await host.observe()
    host.clock.at = utc("2026-12-04 06:00:00")
    scrub = find(await host.observe(scrub_limit="10d"), host.subject, "scrub", Deadline)
    assert (scrub.last_at, scrub.due_at) == (None, utc("2026-12-11 06:00:00"))


async def test_what_a_scrub_could_not_repair(host: Host) -> None:
    """Data is lost: a condition of its own."""
    host.toolbox.says("btrfs", SCRUBBED.replace("errors: 0", "errors: 3"))
    found = [each for each in await host.observe() if isinstance(each, Condition) and "could not repair" in each.reason]
    assert [(str(each.key), each.reason) for each in found] == [
        (f"{host.subject}: scrub errors", "the last scrub could not repair 3 errors")
    ]


async def test_without_root_only_the_scrub_is_not_seen(
    host: Host, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Levels, devices and errors need no privilege; what is missing is said, with the way to get it."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    seen = await host.observe(helper=str(tmp_path / "none"))
    assert "start watchkeeper-helper.socket" in find(seen, "probe btrfs", "sees all", Condition).reason
    assert {f"{host.subject}: {each}" for each in ("data", "metadata", "health", "errors")} < keys(seen)
    assert f"{host.subject}: scrub" not in keys(seen)
    quiet = keys(await host.observe(helper=str(tmp_path / "none"), scrub_limit="never"))
    assert "probe btrfs: sees all" not in quiet


async def test_a_scrub_that_the_helper_does_not_speak_of(host: Host, tmp_path: Path) -> None:
    """It saw no such mount: there is no deadline, and the others' stay."""
    other = tmp_path / "other"
    other.write_text("")
    host.monkeypatch.setattr(commands, "MOUNTS", other)
    assert f"{host.subject}: scrub" not in keys(await host.observe())


async def test_a_file_system_that_hangs(host: Host) -> None:
    """Left behind, and told; no second call is made while the first has not come back."""
    come_back = threading.Event()
    probe = host.probe(timeout="1s", scrub_limit="never")
    host.monkeypatch.setattr(fcntl, "ioctl", lambda *_args: come_back.wait(60))
    hangs = find(await probe.observe(), host.subject, "answers", Condition)
    assert hangs.reason == "no answer within 1s; it hangs"
    assert "still does not answer" in find(await probe.observe(), host.subject, "answers", Condition).reason
    come_back.set()


async def test_tables_that_cannot_be_read(host: Host) -> None:
    """One that is gone or no number: said with its folder."""
    host.put("nodesize", "many")
    assert "cannot be read" in find(await host.observe(), host.subject, "answers", Condition).reason
    (host.sysfs / UUID / "nodesize").unlink()
    assert "cannot be read" in find(await host.observe(), host.subject, "answers", Condition).reason


async def test_nothing_to_watch(host: Host) -> None:
    """No btrfs, one that is left out, or one without tables: a probe that watches nothing says so."""
    with pytest.raises(ProbeError, match="no btrfs is mounted"):
        await host.observe(exclude=[f"{host.point}"])
    for source in ("/dev/sd*", "none"):
        host.mounted(source)
        with pytest.raises(ProbeError, match="no btrfs is mounted"):
            await host.observe()
    host.mountinfo.write_text("")
    with pytest.raises(ProbeError, match="no btrfs is mounted"):
        await host.observe()
    await host.probe().close()


def test_a_device_number_is_asked_for_as_the_kernel_has_it() -> None:
    """_IOWR(0x94, 30, struct btrfs_ioctl_dev_info_args) with 4096 bytes: linux/btrfs.h, asm-generic/ioctl.h."""
    assert btrfs_sysfs.DEV_INFO == (3 << 30) | (4096 << 16) | (0x94 << 8) | 30
