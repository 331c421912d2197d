"""How long disks take for one read or write, against their own history and against the other disks of the same array.

A disk that is dying, or that rewrites its zones, answers every request and only takes longer. The mean time of a
request comes from /proc/diskstats: Documentation/admin-guide/iostats.rst. No disk is accessed. What is usual is
learned: three times what the disk stayed below in 95 of 100 hours of the last fortnight is slow, if it lasts. A check
of an md array and a scrub of ZFS read everything for hours: what is slow meanwhile is no fault.
"""

import statistics
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Literal, NamedTuple

from pydantic import Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import LEARNING, Condition, Facts, Observed, SeriesKey
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.storage.zfs.tables import STATUS, read_status
from watchkeeper.probes.support.block_devices import BlockDevices
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import run_tool
from watchkeeper.probes.support.usual import HOURS_LEAST, Usual

REQUESTS_LEAST, BUSY_MS = 200, 60_000
"""Fewer requests in a window have no mean worth judging, unless they took a minute together: a disk that sleeps takes
ten seconds for its first one, and one that is dying answers few."""

FACTOR = 3.0
"""Slow is so many times the usual limit."""

MATES_FACTOR = 5.0
"""Slow is so many times what the other disks of the same array take: they have the same requests."""

FLOOR_MS = {True: 50.0, False: 20.0}
"""Nothing faster is slow, for a disk that rotates or not: a few seeks, a few erased blocks. Common practice."""


class DiskLatencySettings(ProbeSettings):
    """How long disks take for one read or write: slow against their own history and their array."""

    kind: Literal["disk-latency"] = "disk-latency"
    every: Duration = Field(600.0, description="time between runs, over which the mean is calculated")
    timeout: Duration = Field(10.0, description="time after which a run is abandoned")
    exclude: tuple[str, ...] = Field((), description="disks that are not monitored, such as sdb")


class Counters(NamedTuple):
    """Since the boot: finished reads and writes, and the milliseconds that they took together."""

    requests: int
    took_ms: int


class DiskHistories(StateModel):
    """By the disk's own id where it has one, for a name such as sda may belong to another disk after a boot."""

    disks: Mapping[str, Usual] = Field(default_factory=dict)


def read_counters(text: str) -> dict[str, Counters]:
    """The counters of every device. Lines of another form are left out."""
    found = {}
    for line in text.split("\n"):
        fields = line.split()
        if len(fields) >= 14 and all(each.isdecimal() for each in (*fields[:2], *fields[3:14])):
            reads, read_ms, writes, write_ms = (int(fields[n]) for n in (3, 6, 7, 10))
            found[fields[2]] = Counters(reads + writes, read_ms + write_ms)
    return found


class DiskLatencyProbe(BaseProbe):
    """Monitors every disk of this machine."""

    def __init__(self, settings: DiskLatencySettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /proc and /sys, for tests."""
        self._settings, self._bench, self._root = settings, bench, root
        self._blocks = BlockDevices(root / "sys")
        self._state = ProbeState(bench.probe_states, settings.label, DiskHistories())
        self._before: dict[str, Counters] = {}

    async def observe(self) -> Sequence[Observed]:
        """Take the mean of each disk since the last look. Raises ProbeError if the kernel's file cannot be read."""
        work = partial(self._look, dict(self._before))
        at_s = self._bench.clock.now().timestamp()
        counters, means, mates = await self._bench.workers.call("disk latency", work, self._settings.timeout)
        self._before = counters
        known = (await self._state.read()).disks
        ids = {name: self._blocks.identity(name) for name in counters}
        histories = {name: known.get(each, Usual()) for name, each in ids.items()}
        checked = self._blocks.in_check()
        for name, mean_ms in means.items():
            others = [means[each] for each in mates.get(name, ()) if each in means]
            # In a check the other disks of the array are still a measure, and the disk's own past is not.
            limit_ms = self._limit_ms(Usual() if name in checked else histories[name], name, others)
            slow = mean_ms > limit_ms
            unclear = await self._scrubbed() if slow else name in checked
            if not unclear:
                histories[name] = histories[name].with_value(mean_ms, limit_ms, at_s)
        await self._state.write(DiskHistories(disks={ids[name]: each for name, each in histories.items()}))
        return [self._condition(name, each, means.get(name)) for name, each in histories.items()]

    def _look(
        self, before: Mapping[str, Counters]
    ) -> tuple[dict[str, Counters], dict[str, float], dict[str, list[str]]]:
        """The counters of the disks, their mean times since the last look (ms), and the other disks of their arrays."""
        try:
            text = (self._root / "proc/diskstats").read_text("ascii", "replace")
        except OSError as error:
            raise ProbeError(f"/proc/diskstats cannot be read: {error.strerror}") from error
        disks = [each for each in self._blocks.real_disks() if each not in self._settings.exclude]
        counters = {name: each for name, each in read_counters(text).items() if name in disks}
        means = {}
        for name, now in counters.items():
            old = before.get(name)
            requests = now.requests - old.requests if old else 0
            took_ms = now.took_ms - old.took_ms if old else 0
            if requests > 0 and took_ms >= 0 and (requests >= REQUESTS_LEAST or took_ms >= BUSY_MS):
                means[name] = took_ms / requests
        return counters, means, self._blocks.mates(disks)

    async def _scrubbed(self) -> bool:
        """Whether a scrub or resilver of ZFS runs. Asked only while a disk is slow, for it runs a tool."""
        if not (self._root / "proc/spl/kstat/zfs").is_dir():
            return False
        try:
            text = await run_tool(self._bench, STATUS, self._settings.timeout)
        except ProbeError:
            return False
        return any("in progress" in each.scan_line for each in read_status(text))

    def _limit_ms(self, history: Usual, name: str, others: Sequence[float]) -> float:
        """Above this a window is slow."""
        usual_ms = history.usual
        own_ms = FACTOR * usual_ms if usual_ms is not None else float("inf")
        mates_ms = MATES_FACTOR * statistics.median(others) if others else float("inf")
        return max(min(own_ms, mates_ms), FLOOR_MS[self._blocks.rotates(name)])

    def _condition(self, name: str, history: Usual, mean_ms: float | None) -> Condition:
        facts: Facts = (("one read or write took", f"{mean_ms:.1f} ms"),) if mean_ms is not None else ()
        usual_ms = history.usual
        if usual_ms is not None:
            facts += (("in 95 of 100 hours below", f"{usual_ms:.1f} ms"),)
        else:
            facts += ((LEARNING, f"{len(history.hours)} of {HOURS_LEAST} hours with requests"),)
        slow = history.lasting
        took = f"{mean_ms:.0f} ms" if mean_ms is not None else "much longer than usual"
        reason = f"one read or write takes {took}, for {history.above} samples in a row" if slow else ""
        return Condition(SeriesKey(f"disk {printable(name)}", "latency"), not slow, reason, facts=facts)
