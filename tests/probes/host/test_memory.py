"""Memory against free(1), and pressure, kills and the cache of ZFS against what the kernel documents."""

import subprocess
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import psutil
import pytest
from pydantic import ValidationError

from watchkeeper.clock import Clock
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Level, Observation
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host.memory import MemoryProbe, MemorySettings, measure, read_table, stalled_us
from watchkeeper.probes.support.workers import ThreadWorkers

MIB = 2**20

# The format in the kernel's Documentation/accounting/psi.rst; the figures are ours.
PRESSURE = "some avg10=0.00 avg60=0.00 avg300=0.00 total={some}\nfull avg10=0.00 avg60=0.00 avg300=0.00 total={full}\n"


class HandClock(Clock):
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.at_s = 1000.0

    def now(self) -> datetime:
        return datetime(2026, 5, 1, tzinfo=UTC)

    def monotonic_s(self) -> float:
        return self.at_s


class Host:
    """A /proc of our own, and a probe that reads it."""

    def __init__(self, root: Path, **settings: Any) -> None:
        self.proc = root / "proc"
        self.clock = HandClock()
        self.write("meminfo", "MemTotal: 4000 kB\nMemFree: 100 kB\nMemAvailable: 1000 kB\n")
        self.probe = MemoryProbe(MemorySettings(**settings), ProbeContext(self.clock, ThreadWorkers()), root)

    def write(self, name: str, text: str) -> None:
        """Write a file of the kernel's."""
        path = self.proc / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="ascii")

    def press(self, some: int, full: int = 0, resource: str = "memory") -> None:
        """Set the time stalled since the start, in microseconds."""
        self.write(f"pressure/{resource}", PRESSURE.format(some=some, full=full))

    async def see(self, quantity: str, after_s: float = 30.0) -> Observation | None:
        """What the probe says of one quantity, some time later."""
        self.clock.at_s += after_s
        return find(await self.probe.observe(), quantity)


def find(seen: Sequence[Observation], quantity: str) -> Observation | None:
    """The observation of one quantity."""
    return next((one for one in seen if one.key.quantity == quantity), None)


async def condition(host: Host, quantity: str, after_s: float = 30.0) -> Condition:
    """A condition that must be there."""
    seen = await host.see(quantity, after_s)
    assert isinstance(seen, Condition)
    return seen


def free() -> tuple[dict[str, int], dict[str, int]]:
    """The lines of memory and of swap that `free -b` prints, by their columns."""
    out = subprocess.run(["free", "-b"], capture_output=True, check=True, text=True, timeout=60).stdout.splitlines()
    columns = out[0].split()
    memory, swap = ([int(word) for word in line.split()[1:]] for line in out[1:3])
    return dict(zip(columns, memory, strict=True)), dict(zip(columns, swap, strict=False))


async def test_this_machine_as_free_shows_it(bench: ProbeContext) -> None:
    """Memory and swap of this machine are what `free -b` prints: total exactly, available within 1 % of total.

    Memory moves between one look and the next, so only the totals can be equal to the byte. psutil, which reads the
    same file in its own way, is a second witness.
    """
    memory, swap = free()
    seen = await MemoryProbe(MemorySettings(), bench).observe()
    level = find(seen, "in use")
    assert isinstance(level, Level)
    assert level.capacity == memory["total"] == psutil.virtual_memory().total
    if "part of that: ZFS cache that can be released" not in dict(level.facts):
        available = level.capacity - level.used
        assert available == pytest.approx(memory["available"], abs=0.01 * memory["total"])
        assert available == pytest.approx(psutil.virtual_memory().available, abs=0.01 * memory["total"])
    swapped = find(seen, "swap")
    assert (swapped is not None) == (swap["total"] > 0)
    assert not isinstance(swapped, Level) or swapped.capacity == swap["total"]


def test_the_cache_of_zfs_counts_as_available(samples: Path) -> None:
    """MemAvailable misses what the cache of ZFS would give back: its size beyond the least that it keeps.

    openzfs/zfs#10255; the figures are of the sample: size 112730704, c_min 128226176, so nothing is added there.
    """
    meminfo = read_table((samples / "meminfo.txt").read_text())
    arcstats = read_table((samples / "arcstats.txt").read_text())
    assert (arcstats["size"], arcstats["c_min"]) == (112730704, 128226176)
    small = measure(meminfo, arcstats)
    assert (small.available_bytes, small.cache_bytes) == (3433812 * 1024, 0)
    assert small.swap_total_bytes == 0


def test_a_large_cache_of_zfs() -> None:
    """A host measured after 1200 MiB were read through ZFS: 2305 MiB were called available, with a cache of 1244 MiB.

    A program could then take 2900 MiB, and the cache gave way, as it may down to 122 MiB: so 2305 + 1244 - 122 = 3427.
    """
    meminfo = {"MemTotal": 3913 * 1024, "MemAvailable": 2305 * 1024}
    found = measure(meminfo, {"size": 1244 * MIB, "c_min": 122 * MIB})
    assert found.available_bytes == 3427 * MIB
    assert found.cache_bytes == 1122 * MIB
    assert measure(meminfo, {"size": 9999 * MIB, "c_min": 0}).available_bytes == 3913 * MIB


async def test_the_cache_is_shown_separately(tmp_path: Path) -> None:
    """The part of the available memory that the kernel does not count is a fact of its own."""
    host = Host(tmp_path)
    host.write("spl/kstat/zfs/arcstats", "12 1 0x01 123 33456 1 2\nname type data\nc_min 4 1024\nsize 4 513024\n")
    level = await host.see("in use")
    assert isinstance(level, Level)
    assert (level.used, level.capacity) == ((3000 - 500) * 1024, 4000 * 1024)
    assert level.facts == (
        ("available", "1.46 MiB"),
        ("part of that: ZFS cache that can be released", "500 KiB"),
    )


async def test_swap_where_there_is_some(tmp_path: Path) -> None:
    """Swap is a level of its own where the machine has some."""
    host = Host(tmp_path)
    assert await host.see("swap") is None
    host.write("meminfo", "MemTotal: 4000 kB\nMemAvailable: 1000 kB\nSwapTotal: 2000 kB\nSwapFree: 500 kB\n")
    swap = await host.see("swap")
    assert isinstance(swap, Level)
    assert (swap.used, swap.capacity) == (1500 * 1024, 2000 * 1024)


def test_pressure_files_as_the_kernel_writes_them(samples: Path) -> None:
    """The totals of some and full are read; of the averages nothing is taken."""
    assert stalled_us((samples / "pressure-io.txt").read_text()) == {"some": 6861307, "full": 2496694}
    assert stalled_us((samples / "pressure-cpu.txt").read_text()) == {"some": 23083174, "full": 0}
    assert stalled_us("some avg10=0.00 total=x\nnonsense\n\n") == {}


async def test_pressure_is_the_share_of_the_window(tmp_path: Path) -> None:
    """No pressure at the first sample; then stalled time over the time that passed, against the limit."""
    host = Host(tmp_path)
    host.press(some=5_000_000)
    host.press(some=0, resource="io")
    assert await host.see("pressure") is None
    host.press(some=5_000_000 + 2_900_000, full=300_000)
    host.press(some=1_500_000, resource="io")
    calm = await condition(host, "pressure", 30.0)
    assert calm.ok
    assert calm.facts == (
        ("tasks waiting for memory, some", "9.7%"),
        ("tasks waiting for memory, full", "1.0%"),
        ("tasks waiting for io, some", "5.0%"),
        ("tasks waiting for io, full", "0.0%"),
    )
    host.press(some=5_000_000 + 2_900_000 + 3_600_000, full=300_000)
    pressed = await condition(host, "pressure", 30.0)
    assert (pressed.ok, pressed.reason) == (False, "some task waited for memory 12% of the time, limit 10%")
    host.press(some=5_000_000 + 2_900_000 + 3_600_000 + 2_400_000, full=300_000 + 2_400_000)
    stuck = await condition(host, "pressure", 30.0)
    assert (stuck.ok, stuck.reason) == (False, "all tasks waited for memory 8% of the time, limit 5%")


async def test_pressure_needs_a_window(tmp_path: Path) -> None:
    """Two looks in quick succession give no second window, and the next one reaches back to the first."""
    host = Host(tmp_path, pressure_limit=0.2)
    host.press(some=0)
    assert await host.see("pressure") is None
    host.press(some=90_000)
    assert await host.see("pressure", 0.1) is None
    host.press(some=300_000)
    seen = await condition(host, "pressure", 0.9)
    assert seen.reason == "some task waited for memory 30% of the time, limit 20%"


async def test_counters_that_went_back_begin_again(tmp_path: Path) -> None:
    """A guest that was restored to an earlier state has smaller counters: no window, then a right one."""
    host = Host(tmp_path)
    host.press(some=9_000_000)
    assert await host.see("pressure") is None
    host.press(some=1_000_000)
    assert await host.see("pressure") is None
    host.press(some=7_000_000)
    assert (await condition(host, "pressure")).reason == "some task waited for memory 20% of the time, limit 10%"


async def test_a_kernel_without_pressure_files(tmp_path: Path) -> None:
    """Where the kernel has no pressure files, memory is still watched."""
    host = Host(tmp_path)
    assert await host.see("pressure") is None
    assert await host.see("pressure") is None
    assert await host.see("in use") is not None


async def test_kills_by_the_kernel(tmp_path: Path) -> None:
    """A rise of oom_kill is faulty for an hour, with its number; what was there before the first look is not."""
    host = Host(tmp_path)
    host.write("vmstat", "nr_free_pages 850999\noom_kill 4\n")
    assert (await condition(host, "kernel kills")).ok
    host.write("vmstat", "nr_free_pages 850999\noom_kill 5\n")
    one = await condition(host, "kernel kills")
    assert (one.ok, one.reason) == (False, "the kernel killed 1 process in the last 1h because memory was short")
    assert one.facts == (("kills since the start of the host", "5"),)
    host.write("vmstat", "oom_kill 7\n")
    assert (await condition(host, "kernel kills", 1800.0)).reason.startswith("the kernel killed 3 processes")
    later = await condition(host, "kernel kills", 1800.0)
    assert later.reason.startswith("the kernel killed 2 processes")
    assert (await condition(host, "kernel kills", 1800.0)).ok


async def test_kills_counted_again_after_a_start(tmp_path: Path) -> None:
    """A count that went back is a new beginning, not a kill."""
    host = Host(tmp_path, kills_remembered="10m")
    host.write("vmstat", "oom_kill 4\n")
    assert (await condition(host, "kernel kills")).ok
    host.write("vmstat", "oom_kill 0\n")
    assert (await condition(host, "kernel kills")).ok
    host.write("vmstat", "oom_kill 1\n")
    assert (await condition(host, "kernel kills")).reason.endswith("in the last 10m because memory was short")


async def test_no_meminfo_is_an_error_of_the_probe(tmp_path: Path) -> None:
    """Where /proc shows no memory (ProcSubset=pid), the probe says so and names the remedy."""
    host = Host(tmp_path)
    (host.proc / "meminfo").unlink()
    with pytest.raises(ProbeError, match=r"does not contain MemTotal; a service needs ProcSubset=all"):
        await host.probe.observe()
    (host.proc / "meminfo").mkdir()
    with pytest.raises(ProbeError, match=r"meminfo cannot be read: Is a directory"):
        await host.probe.observe()


async def test_no_memory_at_all_is_no_level(tmp_path: Path) -> None:
    """A total of nothing gives no level: a capacity is greater than nothing."""
    host = Host(tmp_path)
    host.write("meminfo", "MemTotal: 0 kB\nMemAvailable: 0 kB\n")
    assert await host.see("in use") is None
    await host.probe.close()


def test_limits_are_shares() -> None:
    """A limit outside 0 to 1 is refused."""
    with pytest.raises(ValidationError):
        MemorySettings(pressure_limit=10)
