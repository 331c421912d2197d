"""Monitors the daemon itself: its event loop, its open files, and its database.

Not here: whether the daemon runs at all, which only the service manager's watchdog can see.
"""

import asyncio
import resource
from collections.abc import Sequence
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Literal

import psutil
from pydantic import Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import StoreError
from watchkeeper.model.observation import Condition, Level, Observation, SeriesKey, Unit
from watchkeeper.model.records import Quarantined
from watchkeeper.model.units import format_size
from watchkeeper.probes.base import OwnDatabase, ProbeContext

SUBJECT = "watchkeeper"

STORED_ROWS = SeriesKey(SUBJECT, "stored rows")
LOCATION = SeriesKey(SUBJECT, "database location")
"""Whether the open database still has its name; a probe of the daemon's own reports it (daemon/database_location.py).
"""

ARCHIVE_COPY = SeriesKey(SUBJECT, "copy in the archive")
ARCHIVE_ACCESS = SeriesKey(SUBJECT, "access to the archive")
"""The copy of the database to the archive of several hosts; a probe of the daemon's own reports it
(daemon/archive_copy.py).
"""

REPORTED_FOR = timedelta(days=7)
"""How long a damaged row is reported. A failing disk damages the next row within that time; a single fault is over."""

SOURCES_FIRST = {"outbox": 0, "alerts": 1}

NAMED = 3
"""Rows that the reason names; the others are in the table and in the event log."""

BEAT_S = 1.0
"""How often a timer of the event loop is checked for lateness. A delay of L seconds shows as L - BEAT_S or more;
checking more often would wake an idle machine for little benefit."""


class SelfCheckSettings(ProbeSettings):
    """watchkeeper itself: the lag of its event loop, its open files, its memory, its database."""

    kind: Literal["self-check"] = "self-check"
    every: Duration = Field(60.0, description="time between runs")
    loop_lag_limit: Duration = Field(2.0, description="a longer lag of the event loop is faulty")


class SelfCheckProbe:
    """Monitors the process that it runs in."""

    def __init__(self, settings: SelfCheckSettings, bench: ProbeContext) -> None:
        self._settings = settings
        self._clock, self._workers, self._database = bench.clock, bench.workers, bench.database
        self._process = psutil.Process()
        self._beat: asyncio.TimerHandle | None = None
        self._due_s = 0.0
        self._worst_s = 0.0

    async def observe(self) -> Sequence[Observation]:
        """Report the longest delay since the last sample, what the process uses, and the state of the database."""
        if self._beat is None:
            self._schedule()
        worst_s = max(self._worst_s, self._clock.monotonic_s() - self._due_s)
        self._worst_s = 0.0
        return [self._loop(max(worst_s, 0.0)), self._files(), *await self._stored()]

    async def close(self) -> None:
        """Stop checking the event loop."""
        if self._beat is not None:
            self._beat.cancel()
            self._beat = None

    def _schedule(self) -> None:
        self._due_s = self._clock.monotonic_s() + BEAT_S
        self._beat = asyncio.get_running_loop().call_later(BEAT_S, self._come)

    def _come(self) -> None:
        self._worst_s = max(self._worst_s, self._clock.monotonic_s() - self._due_s)
        self._schedule()

    def _loop(self, worst_s: float) -> Condition:
        held_up = worst_s > self._settings.loop_lag_limit
        reason = f"the event loop was blocked for {worst_s:.1f} s"
        facts = (("longest delay", f"{worst_s * 1000:.0f} ms"),)
        return Condition(SeriesKey(SUBJECT, "event loop"), not held_up, reason if held_up else "", facts=facts)

    def _files(self) -> Level:
        limit, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
        capacity = (
            float(limit) if limit > 0 else 2.0**20
        )  # No limit: the kernel's own default for one process (nr_open).
        with self._process.oneshot():
            facts = (
                ("memory", format_size(self._process.memory_info().rss)),
                ("threads", str(self._process.num_threads())),
            )
        used = float(self._process.num_fds() - 1)  # Counting them opens one more: the folder that lists them.
        return Level(SeriesKey(SUBJECT, "open files"), used, capacity, Unit.COUNT, facts)

    async def _stored(self) -> Sequence[Observation]:
        own = self._database
        if own is None:
            return []
        # Outside the event loop: the disk with the database may hang.
        found = await self._workers.call("database", partial(_look_at, own), self._settings.timeout)
        return [*found, *await self._rows(own)]

    async def _rows(self, own: OwnDatabase) -> Sequence[Observation]:
        """Whether stored rows had to be moved away recently."""
        if own.quarantined is None:
            return []
        now = self._clock.now()
        try:
            async with asyncio.timeout(self._settings.timeout):
                return [stored_rows(await own.quarantined(now - REPORTED_FOR, now))]
        except (StoreError, TimeoutError) as error:
            said = str(error) or f"no answer within {self._settings.timeout:.0f} s"
            reason = f"cannot tell whether stored rows are damaged: {said}"
            return [Condition(STORED_ROWS, ok=False, reason=reason)]


def _look_at(own: OwnDatabase) -> Sequence[Observation]:
    """The database's size against its limit, and whether a damaged one was set aside."""
    wal = own.path.with_name(f"{own.path.name}-wal")
    used = float(sum(each.stat().st_size for each in (own.path, wal) if each.exists()))
    level = Level(SeriesKey(SUBJECT, "database size"), used, float(own.most_bytes), Unit.BYTES)
    return [level, _whole(own.set_aside())]


def stored_rows(found: Sequence[Quarantined]) -> Condition:
    """Faulty for a week after the newest damaged row: it cannot be repaired, so no action would end the condition."""
    if not found:
        return Condition(STORED_ROWS, ok=True)
    # Messages first, then alerts: nothing else reports what is missing.
    ordered = sorted(found, key=lambda each: SOURCES_FIRST.get(each.source, len(SOURCES_FIRST)))
    named = "; ".join(each.about for each in ordered[:NAMED])
    more = f"; and {len(found) - NAMED} more" if len(found) > NAMED else ""
    ends = f"{found[0].found_at + REPORTED_FOR:%Y-%m-%d}"
    reason = (
        f"{len(found)} stored row{'s were' if len(found) > 1 else ' was'} damaged and moved to the table quarantine: "
        f"{named}{more}. Check the disk, then acknowledge this alert; it ends on {ends}"
    )
    return Condition(STORED_ROWS, ok=False, reason=reason, grave=True)


def _whole(damaged: Sequence[Path]) -> Condition:
    """Faulty as long as a damaged database is kept next to the new one: the operator has to check the disk."""
    key = SeriesKey(SUBJECT, "database file")
    if not damaged:
        return Condition(key, ok=True)
    reason = (
        f"it was damaged and moved to {damaged[-1]}; a new one was made from what could be read "
        "(the event log has the counts): check its disk, then move that file away"
    )
    return Condition(key, ok=False, reason=reason, grave=True)
