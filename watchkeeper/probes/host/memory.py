"""Memory: how much is in use, swap, the time that tasks stall waiting for memory, and kills by the kernel.

Read directly from /proc, not through psutil: one read of meminfo gives memory and swap, and psutil knows neither the
pressure files nor the cache of ZFS. The formats: proc(5), and the kernel's Documentation/accounting/psi.rst.
"""

import errno
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import Field

from watchkeeper.config.tables.rules import FullSettings, RulesSettings
from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Facts, Level, Observation, SeriesKey, Unit
from watchkeeper.model.units import format_duration, format_size
from watchkeeper.os_errors import remedy
from watchkeeper.probes.base import BaseProbe, ProbeContext

SUBJECT = "memory"

ABSENT = frozenset({errno.ENOENT, errno.ENOTDIR, errno.EOPNOTSUPP})
"""The errors for a kernel file if the kernel was built or booted without that feature (psi=0: EOPNOTSUPP)."""

WINDOW_MIN_S = 0.5
"""A shorter window is meaningless: one page read from disk would fill it. The kernel's own triggers begin at 0.5 s."""


class MemorySettings(ProbeSettings):
    """Memory, swap, memory pressure, and programs that the kernel killed because memory was short.

    By default there is no caution for memory: programs return it, so a rise over hours is usually part of the day and
    not the beginning of a shortage.
    """

    usual_rules = RulesSettings(full=FullSettings(caution=None))

    kind: Literal["memory"] = "memory"
    every: Duration = Field(30.0, description="time between runs")
    pressure_limit: float = Field(
        0.1, gt=0, le=1, description="share of time (0 to 1) during which some task waits for memory; more is faulty"
    )
    full_pressure_limit: float = Field(
        0.05, gt=0, le=1, description="share of time (0 to 1) during which every task waits for memory; more is faulty"
    )
    kills_remembered: Duration = Field(3600.0, description="how long a kill by the kernel is reported as a fault")


@dataclass(frozen=True, slots=True)
class Memory:
    """Memory and swap in bytes. cache_bytes: the part of available_bytes that is not in the kernel's MemAvailable."""

    total_bytes: int
    available_bytes: int
    swap_total_bytes: int
    swap_free_bytes: int
    cache_bytes: int


def read_table(text: str) -> dict[str, int]:
    """Names and integers from lines such as `MemTotal:  123 kB`, `oom_kill 4` or `size  4  112730704`.

    The number is the last word of the line. Lines without one (headings) are ignored.
    """
    table = {}
    for line in text.split("\n"):
        words = line.removesuffix(" kB").split()
        if len(words) >= 2 and words[-1].isdecimal():
            table[words[0].removesuffix(":")] = int(words[-1])
    return table


def measure(meminfo: Mapping[str, int], arcstats: Mapping[str, int]) -> Memory:
    """Memory as it is available to new programs.

    The cache of ZFS (the ARC) can be reclaimed like the page cache, but is not in MemAvailable (openzfs/zfs#10255): the
    part above its minimum (c_min) is added. That is an upper bound, because it is reclaimed more slowly.
    """
    total = meminfo["MemTotal"]
    cache = max(0, arcstats.get("size", 0) - arcstats.get("c_min", 0))
    return Memory(
        total_bytes=total * 1024,
        available_bytes=min(meminfo["MemAvailable"] * 1024 + cache, total * 1024),
        swap_total_bytes=meminfo.get("SwapTotal", 0) * 1024,
        swap_free_bytes=meminfo.get("SwapFree", 0) * 1024,
        cache_bytes=cache,
    )


def stalled_us(text: str) -> dict[str, int]:
    """Microseconds that tasks have stalled since boot, by `some` and `full`, from a pressure file."""
    totals = {}
    for line in text.split("\n"):
        kind, _, rest = line.partition(" ")
        _, found, total = rest.rpartition("total=")
        if found and total.isdecimal():
            totals[kind] = int(total)
    return totals


@dataclass(frozen=True, slots=True)
class _Stalls:
    """The pressure files' totals at one moment: {"memory, some": microseconds}."""

    at_s: float
    totals_us: Mapping[str, int]

    def shares_since(self, before: "_Stalls") -> dict[str, float]:
        """Share of the time between two moments, for every total that both contain and that did not decrease."""
        window_us = (self.at_s - before.at_s) * 1e6
        grown = {name: total - before.totals_us.get(name, total + 1) for name, total in self.totals_us.items()}
        return {name: min(us / window_us, 1.0) for name, us in grown.items() if us >= 0}


class MemoryProbe(BaseProbe):
    """Monitors the memory of the whole machine."""

    def __init__(self, settings: MemorySettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        self._settings = settings
        self._clock = bench.clock
        self._proc = root / "proc"
        self._stalls: _Stalls | None = None
        self._kills: int | None = None
        self._killed: list[tuple[float, int]] = []

    async def observe(self) -> Sequence[Observation]:
        """Read memory, swap, pressure and kills. Raises ProbeError if meminfo cannot be read."""
        return [*self._levels(), *self._pressure(), *self._kernel_kills()]

    def _read(self, name: str) -> str | None:
        """Read a kernel file; None if this kernel does not have it."""
        try:
            with (self._proc / name).open("rb") as file:
                return file.read().decode("ascii", "replace")
        except OSError as error:
            if error.errno in ABSENT:
                return None
            to_do = remedy(error, "let this user read it")
            raise ProbeError(f"{self._proc / name} cannot be read: {error.strerror}; {to_do}") from error

    def _levels(self) -> list[Observation]:
        try:
            memory = measure(
                read_table(self._read("meminfo") or ""), read_table(self._read("spl/kstat/zfs/arcstats") or "")
            )
        except KeyError as missing:
            where = self._proc / "meminfo"
            raise ProbeError(
                f"{where} does not contain {missing.args[0]}; a service needs ProcSubset=all to read it"
            ) from missing
        levels: list[Observation] = []
        if memory.total_bytes:
            used = memory.total_bytes - memory.available_bytes
            levels.append(Level(SeriesKey(SUBJECT, "in use"), used, memory.total_bytes, Unit.BYTES, _facts(memory)))
        if memory.swap_total_bytes:
            used = memory.swap_total_bytes - memory.swap_free_bytes
            levels.append(Level(SeriesKey(SUBJECT, "swap"), used, memory.swap_total_bytes, Unit.BYTES))
        return levels

    def _pressure(self) -> list[Observation]:
        """Time stalled since the last sample; nothing at the first sample, because there is no window yet."""
        totals = {
            f"{resource}, {kind}": total
            for resource in ("memory", "io", "cpu")
            for kind, total in stalled_us(self._read(f"pressure/{resource}") or "").items()
        }
        before, now = self._stalls, _Stalls(self._clock.monotonic_s(), totals)
        if before is not None and now.at_s - before.at_s < WINDOW_MIN_S:
            return []
        self._stalls = now
        shares = now.shares_since(before) if before else {}
        if "memory, some" not in shares:
            return []
        reason = self._stalling(shares)
        facts = tuple((f"tasks waiting for {name}", f"{share:.1%}") for name, share in shares.items())
        return [Condition(SeriesKey(SUBJECT, "pressure"), not reason, reason, facts=facts)]

    def _stalling(self, shares: Mapping[str, float]) -> str:
        full, some = shares.get("memory, full", 0.0), shares["memory, some"]
        if full > self._settings.full_pressure_limit:
            return f"all tasks waited for memory {full:.0%} of the time, limit {self._settings.full_pressure_limit:.0%}"
        if some > self._settings.pressure_limit:
            return f"some task waited for memory {some:.0%} of the time, limit {self._settings.pressure_limit:.0%}"
        return ""

    def _kernel_kills(self) -> list[Observation]:
        """Faulty for a while after the kernel killed a process. The kernel's count starts at 0 at every boot."""
        count = read_table(self._read("vmstat") or "").get("oom_kill")
        if count is None:
            return []
        now_s, keep_s = self._clock.monotonic_s(), self._settings.kills_remembered
        if self._kills is not None and count > self._kills:
            self._killed.append((now_s, count - self._kills))
        self._kills = count
        self._killed = [(at_s, n) for at_s, n in self._killed if now_s - at_s < keep_s]
        recent = sum(n for _, n in self._killed)
        tasks = "1 process" if recent == 1 else f"{recent} processes"
        reason = (
            f"the kernel killed {tasks} in the last {format_duration(keep_s)} because memory was short"
            if recent
            else ""
        )
        facts = (("kills since the start of the host", str(count)),)
        return [Condition(SeriesKey(SUBJECT, "kernel kills"), not recent, reason, facts=facts)]


def _facts(memory: Memory) -> Facts:
    facts: Facts = (("available", format_size(memory.available_bytes)),)
    if memory.cache_bytes:
        facts += (("part of that: ZFS cache that can be released", format_size(memory.cache_bytes)),)
    return facts
