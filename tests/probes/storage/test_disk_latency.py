"""Latency of disks: the running kernel's own counters, and a fortnight with backups that passes by hand."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.probes.toolbox import FixedClock, Toolbox
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.storage.disk_latency import Counters, DiskLatencyProbe, DiskLatencySettings, read_counters

SAMPLE = """\
   7       0 loop0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0
 254       0 vda 306718 50387 12687146 202872 500411 499079 42731032 411815 0 104820 687299 2 3 4 5 6 7
   8       1 sda1 100 0 800 50 200 0 1600 150 0 200 200
   8      16 sdb 1 2 3
"""


class Host:
    """A host with disks whose requests take what the test says."""

    def __init__(self, root: Path, bench: ProbeContext) -> None:
        self.root, self.totals = root, dict[str, Counters]()
        self.clock = FixedClock(datetime(2026, 11, 1, tzinfo=UTC))
        self.bench = replace(bench, clock=self.clock, probe_states=MemoryStateStore())
        (root / "proc").mkdir()
        self.start()

    def start(self) -> None:
        """Start the daemon, which knows what it kept."""
        self.probe = DiskLatencyProbe(DiskLatencySettings(), self.bench, self.root)

    def disk(self, name: str, *, rotates: bool = True, array: str = "", serial: str = "") -> None:
        """Plug a disk in."""
        folder = self.root / "sys/block" / name
        for each in (folder / "device", folder / "queue", self.root / "sys/class/block"):
            each.mkdir(parents=True, exist_ok=True)
        (folder / "queue/rotational").write_text("1\n" if rotates else "0\n")
        if serial:
            (folder / "device/serial").write_text(f"{serial}\n")
        (self.root / "sys/class/block" / name).symlink_to(folder)
        if array:
            (self.root / "sys/block" / array / "slaves").mkdir(parents=True, exist_ok=True)
            (self.root / "sys/block" / array / "slaves" / name).symlink_to(folder)
        self.totals[name] = Counters(0, 0)

    async def window(self, took_ms: Mapping[str, float], requests: int = 1000) -> dict[str, Condition]:
        """Ten minutes with so many requests to each disk, and a look."""
        self.clock.at += timedelta(minutes=10)
        for name, each in took_ms.items():
            old = self.totals[name]
            self.totals[name] = Counters(old.requests + requests, old.took_ms + round(each * requests))
        lines = [f"8 0 {n} {t.requests} 0 0 {t.took_ms} 0 0 0 0 0 0 0\n" for n, t in self.totals.items()]
        (self.root / "proc/diskstats").write_text("".join(lines))
        seen = {each.key.subject: each for each in await self.probe.observe() if isinstance(each, Condition)}
        return {name.removeprefix("disk "): each for name, each in seen.items()}

    async def days(self, count: int, usual_ms: float = 5.0, backup_ms: float = 40.0) -> list[str]:
        """Live days with a backup of two hours each night; the reasons of all faults."""
        faults = []
        for number in range(count * 144):
            ms = backup_ms if 12 <= number % 144 < 24 else usual_ms
            seen = await self.window(dict.fromkeys(self.totals, ms))
            faults += [each.reason for each in seen.values() if not each.ok]
        return faults


@pytest.fixture
def host(tmp_path: Path, bench: ProbeContext) -> Host:
    """A host with one disk."""
    host = Host(tmp_path, bench)
    host.disk("sda")
    return host


def test_the_counters_of_the_kernel() -> None:
    """Fields 4, 7, 8 and 11 of iostats.rst, of all lines that have them."""
    found = read_counters(SAMPLE)
    assert found["vda"] == Counters(306718 + 500411, 202872 + 411815)
    assert found["sda1"] == Counters(300, 200)
    assert set(found) == {"loop0", "vda", "sda1"}


async def test_this_machine(bench: ProbeContext) -> None:
    """Its disks are found, and nothing can be said before the second look."""
    probe = DiskLatencyProbe(DiskLatencySettings(), bench)
    seen = await probe.observe()
    assert all(isinstance(each, Condition) and each.ok for each in seen)
    names = read_counters(Path("/proc/diskstats").read_text())  # noqa: ASYNC240  the kernel's own
    assert {each.key.subject.removeprefix("disk ") for each in seen if isinstance(each, Condition)} <= names.keys()


async def test_nightly_backups_are_usual(host: Host) -> None:
    """No fault in three weeks, and none when one backup takes twice as long."""
    assert await host.days(21) == []
    assert await host.days(1, backup_ms=80.0) == []


async def test_a_disk_that_becomes_slow(host: Host) -> None:
    """After three slow samples it is a fault, also after a restart of the daemon; the first usual one ends it."""
    await host.days(5)
    for _ in range(2):
        assert (await host.window({"sda": 900.0}))["sda"].ok
    host.start()
    await host.window({"sda": 900.0})  # The first look of a new process has no window.
    seen = (await host.window({"sda": 900.0}))["sda"]
    assert seen.reason == "one read or write takes 900 ms, for 3 samples in a row"
    assert dict(seen.facts)["in 95 of 100 hours below"] == "40.0 ms"
    assert (await host.window({"sda": 5.0}))["sda"].ok


async def test_a_slow_disk_does_not_become_usual(host: Host) -> None:
    """However long it is slow."""
    await host.days(5)
    for _ in range(1000):
        seen = await host.window({"sda": 900.0})
    assert not seen["sda"].ok


async def test_the_slow_one_of_a_mirror(host: Host) -> None:
    """The others have the same requests, so no history is needed."""
    host.disk("sdb", array="md0")
    host.disk("sdc", array="md0")
    await host.window({"sdb": 10.0, "sdc": 10.0})
    for _ in range(3):
        seen = await host.window({"sda": 400.0, "sdb": 10.0, "sdc": 200.0})
    assert {name for name, each in seen.items() if not each.ok} == {"sdc"}


async def test_what_is_too_little_to_judge(host: Host) -> None:
    """A disk that sleeps takes ten seconds for its first request; one that is dying takes minutes for a few."""
    await host.days(5)
    for _ in range(5):
        seen = await host.window({"sda": 10_000.0}, requests=1)
    assert seen["sda"].ok
    for _ in range(3):
        seen = await host.window({"sda": 10_000.0}, requests=50)
    assert not seen["sda"].ok


async def test_nothing_fast_is_slow(host: Host) -> None:
    """Three times half a millisecond is no fault; the floor of a disk that does not rotate is lower."""
    host.disk("nvme0n1", rotates=False)
    assert await host.days(5, usual_ms=0.5, backup_ms=1.0) == []
    for _ in range(4):
        seen = await host.window({"sda": 45.0, "nvme0n1": 25.0})
    assert {name for name, each in seen.items() if not each.ok} == {"nvme0n1"}


async def test_a_name_that_moves_to_another_disk(host: Host) -> None:
    """The history belongs to the disk."""
    host.disk("sdx", serial="one")
    await host.days(4)
    (host.root / "sys/block/sdx/device/serial").write_text("two\n")
    seen = await host.window({"sdx": 900.0})
    assert dict(seen["sdx"].facts)["still learning"] == "1 of 72 hours with requests"


async def test_counters_that_go_back(host: Host) -> None:
    """A disk that was taken out and came back begins at 0."""
    await host.window({"sda": 5.0})
    host.totals["sda"] = Counters(0, 0)
    assert (await host.window({"sda": 1.0}))["sda"].ok


@pytest.mark.parametrize("text", ["", "\x00", "8 0 sda x x x x x x x x x x x\n", "8 0 sda -1 0 0 0 0 0 0 0 0 0 0\n"])
async def test_files_of_anything(host: Host, text: str) -> None:
    """Lines of another form say nothing."""
    (host.root / "proc/diskstats").write_text(text)
    assert await host.probe.observe() == []


async def test_a_file_that_is_not_there(host: Host) -> None:
    """It is told as that."""
    with pytest.raises(ProbeError, match="No such file"):
        await host.probe.observe()


@pytest.mark.parametrize(("action", "slow"), [("check", False), ("resync", False), ("idle", True), ("frozen", True)])
async def test_a_check_of_an_array_is_no_fault(host: Host, action: str, slow: bool) -> None:  # noqa: FBT001  a case
    """Both disks take long for hours, and it is not learned either."""
    host.disk("sdb", array="md0")
    host.disk("sdc", array="md0")
    await host.days(5)
    (host.root / "sys/block/md0/md").mkdir(parents=True)
    (host.root / "sys/block/md0/md/sync_action").write_text(f"{action}\n")
    for _ in range(36):
        seen = await host.window({"sda": 5.0, "sdb": 300.0, "sdc": 310.0})
    assert {name for name, each in seen.items() if not each.ok} == ({"sdb", "sdc"} if slow else set())
    assert dict(seen["sdb"].facts)["in 95 of 100 hours below"] == "40.0 ms"


async def test_the_slow_one_in_a_check(host: Host) -> None:
    """The other disk of the array has the same requests, and is a measure still."""
    host.disk("sdb", array="md0")
    host.disk("sdc", array="md0")
    (host.root / "sys/block/md0/md").mkdir(parents=True)
    (host.root / "sys/block/md0/md/sync_action").write_text("check\n")
    await host.window({"sdb": 10.0, "sdc": 10.0})
    for _ in range(3):
        seen = await host.window({"sdb": 30.0, "sdc": 900.0})
    assert {name for name, each in seen.items() if not each.ok} == {"sdc"}


SCRUB = "  pool: skerry\n  scan: {}\nconfig:\n"


@pytest.mark.parametrize(
    ("scan", "status", "slow"),
    [
        ("scrub in progress since Sun Nov 22 00:24:02 2026", 0, False),
        ("resilver in progress since Sun Nov 22 00:24:02 2026", 0, False),
        ("scrub repaired 0B in 00:00:01 with 0 errors on Sun Nov 22 00:24:02 2026", 0, True),
        ("scrub in progress since Sun Nov 22 00:24:02 2026", 1, True),
    ],
)
async def test_a_scrub_of_zfs_is_no_fault(
    host: Host,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    scan: str,
    status: int,
    slow: bool,  # noqa: FBT001
) -> None:
    """The tool is asked while a disk is slow; one that fails hides nothing."""
    toolbox = Toolbox(tmp_path, monkeypatch)
    await host.days(5)
    (host.root / "proc/spl/kstat/zfs").mkdir(parents=True)
    toolbox.says("zpool", SCRUB.format(scan), status=status)
    for _ in range(6):
        seen = await host.window({"sda": 900.0})
    assert seen["sda"].ok is not slow
