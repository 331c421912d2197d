"""Retention: at fixed intervals, roll up and delete what the configuration says, and enforce the size limit.
Also check for damage: frequently in the data that monitoring uses, once a week in everything and in the indexes.

Not here: how rows are moved in small steps (store/), and that a write never waits for them.
"""

import json
import logging
from collections.abc import Awaitable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import chain
from typing import Protocol

from watchkeeper.clock import Clock
from watchkeeper.config.paths import StoreSettings
from watchkeeper.errors import StoreError, StoreFull
from watchkeeper.logs.fields import Event, about
from watchkeeper.messages.wording import duration
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.model.records import Entry
from watchkeeper.model.units import format_duration, format_size
from watchkeeper.store.history.retention_limits import Extent, RetentionLimits

log = logging.getLogger(__name__)

EVERY_S = 900.0
"""How often retention runs: for 300 series at one sample a minute, an hour is forty small steps, once an hour."""

STEP_S = 3600.0
"""If the wall clock and the monotonic one differ by this much between two runs, the clock was set: it is not trusted
for deletion until it has been steady for another run."""

LEAP = timedelta(days=60)
"""A clock that is ahead of the newest record by more than this may be wrong, or the host was off for a long time. No
smaller jump deletes any hour (the configuration keeps them for at least this long): it only rolls up sooner."""

TRUST_S = 7 * 86_400.0
"""After a leap nothing is rolled up or deleted until the daemon has run for this long by that clock: by then somebody
has seen that it is years ahead. The data kept meanwhile costs the size of a week."""

OWNER = " keeping"
"""Owner of the note by which a leap survives a restart; no probe's name begins with a space."""

INDEX_OWNER = " indexes"
"""Owner of the note that records when everything was last checked."""

WHOLE_EVERY = timedelta(days=7)
"""How often everything is checked: it reads the whole database."""

RAW_LEAST_S = 86_400.0
HOURS_LEAST_S = 60 * 86_400.0
"""At the limit, the last day's samples are kept, and the hours that a forecast uses (eight weeks)."""

STRIDE = timedelta(hours=6)
HOURS_STRIDE = timedelta(days=14)
"""How much is rolled up at once at the limit, before the size is checked again."""

ROOM_SHARE = 0.95
"""At the limit, space is freed down to this share of it, so that it is not reached again within the hour."""

DECISIONS_KEPT = timedelta(days=14)
"""As long as samples by default: a decision is only understood beside what was observed."""

NOTE_EVERY = timedelta(days=1)
"""A limit that is reached repeatedly is reported in the event log once a day."""


class KeptStore(Protocol):
    """The interface that retention needs of the store."""

    async def keep(self, horizons: RetentionLimits, *, spare_share: float = ...) -> int:
        """Roll up and delete what is older than the horizons; return the number of rows."""
        ...

    async def extent(self) -> Extent:
        """The size of the database."""
        ...

    async def inspect(self, *, whole: bool) -> None:
        """Find rows that cannot be read, and move them away. whole: in all tables."""
        ...

    async def check_indexes(self) -> None:
        """Check whether every index agrees with its table, and rebuild those that do not."""
        ...


class States(Protocol):
    """Keeps a text across restarts."""

    async def read(self, owner: str) -> str:
        """What the owner wrote last; empty if it never did. Raises StoreError."""
        ...

    async def write(self, owner: str, text: str) -> None:
        """Replace what the owner wrote. Raises StoreError."""
        ...


class Note(Protocol):
    """Writes a line into the event log."""

    def __call__(self, entry: Entry, text: str) -> Awaitable[None]:
        """Write a line of this kind and text."""
        ...


@dataclass(slots=True)
class _Memory:
    """State that is shared with the next configuration's retention, even while a run is in progress.

    turn: both clocks at the last run. noted_at: when the limit was last reported. newest: the newest record.
    """

    turn: tuple[datetime, float] | None = None
    noted_at: datetime | None = None
    newest: datetime | None = None


class Retention:
    """Applies retention to one store according to its settings. Run it every EVERY_S seconds."""

    def __init__(
        self,
        store: KeptStore,
        settings: StoreSettings,
        clock: Clock,
        note: Note,
        states: States | None = None,
        before: "Retention | None" = None,
    ) -> None:
        """states: where a leap of the clock is remembered; None: only until the daemon stops.

        before: the previous configuration's retention.
        """
        self._store, self._settings, self._clock, self._note = store, settings, clock, note
        self._states = states or MemoryStateStore()
        self.memory: _Memory = _Memory() if before is None else before.memory

    async def begin(self, last_commit_at: datetime | None) -> None:
        """At start: check how far the clock is ahead of the newest record."""
        now, self.memory.newest = self._clock.now(), last_commit_at
        if last_commit_at is None or now - last_commit_at <= LEAP:
            return
        try:
            await self._leapt(last_commit_at, now)
        except StoreError:
            log.exception("the jump of the clock could not be recorded", extra=about(Event.RETENTION))

    async def run(self) -> None:
        """Run retention once. Does nothing in the first run, and in one after the clock was set; never raises."""
        now, before = self._clock.now(), self.memory.turn
        steady = self._steady(now)
        await self._look_for_damage(now)
        try:
            if before is not None:
                # A clock that was behind and was corrected has not leapt.
                newest = self.memory.newest = max(before[0], self.memory.newest or before[0])
                if now - newest > LEAP:
                    await self._leapt(newest, now)
            if not steady or not await self._trusted(now):
                return
            await self._store.keep(self._horizons(now))
            await self._hold_bound(now)
        except StoreFull as error:
            # Rolling up needs a little space before it frees some; it is tried again when there is some.
            log.warning("retention waits for free space: %s", error, extra=about(Event.RETENTION))
        except StoreError:
            log.exception("retention failed this time", extra=about(Event.RETENTION))

    async def _look_for_damage(self, now: datetime) -> None:
        """Check the data that monitoring uses, and once a week everything; never raises."""
        try:
            whole = await self._whole_is_due(now)
            await self._store.inspect(whole=whole)
            if whole:
                await self._store.check_indexes()
                await self._states.write(INDEX_OWNER, now.isoformat())
        except StoreError:
            log.exception("the check of the database failed this time", extra=about(Event.RETENTION))

    async def _whole_is_due(self, now: datetime) -> bool:
        """Return whether the full check is due. A note that is unreadable, or from the future, counts as none."""
        try:
            last = datetime.fromisoformat(await self._states.read(INDEX_OWNER))
            return not timedelta(0) <= now - last < WHOLE_EVERY
        except (ValueError, TypeError):
            return True

    def _steady(self, now: datetime) -> bool:
        """Return whether the clock has run evenly since the previous run."""
        before, monotonic_s = self.memory.turn, self._clock.monotonic_s()
        self.memory.turn = now, monotonic_s
        if before is None:
            return False
        return abs((now - before[0]).total_seconds() - (monotonic_s - before[1])) < STEP_S

    async def _leapt(self, since: datetime, now: datetime) -> None:
        """Remember where the clock leapt from, and that it is not trusted yet."""
        ahead = duration((now - since).total_seconds())
        text = (
            f"the clock is {ahead} ahead of the newest record: no records are rolled up or deleted until"
            f" monitoring has run for {duration(TRUST_S)} with this clock. If it is wrong, set it"
        )
        await self._remember(since, 0.0)
        await self._note(Entry.NOTE, text)

    async def _trusted(self, now: datetime) -> bool:
        """Return whether the clock has not leapt, or was set back, or the daemon has run by it for long enough."""
        text = await self._states.read(OWNER)
        if not text:
            return True
        try:
            leap = json.loads(text)
            since, lived_s = datetime.fromisoformat(leap["since"]), leap["lived_s"] + EVERY_S
        except (ValueError, TypeError, KeyError):
            # The start of the leap is unknown: the full time is waited again.
            since, lived_s = datetime.fromtimestamp(0, UTC), 0.0
        if lived_s < TRUST_S and now - since > LEAP:
            await self._remember(since, lived_s)
            return False
        await self._states.write(OWNER, "")
        return True

    async def _remember(self, since: datetime, lived_s: float) -> None:
        await self._states.write(OWNER, json.dumps({"since": since.isoformat(), "lived_s": lived_s}))

    def _horizons(self, now: datetime) -> RetentionLimits:
        kept = self._settings
        return RetentionLimits(
            samples=_hour(now - timedelta(seconds=kept.samples)),
            hours=_day(now - timedelta(seconds=kept.hours)),
            days=_day(now - timedelta(seconds=kept.days)),
            events=now - timedelta(seconds=kept.events),
            delivered=now - timedelta(seconds=kept.delivered),
            gone=now - timedelta(seconds=kept.forget_after),
            forecasts=now - timedelta(seconds=kept.forecasts),
            decisions=now - DECISIONS_KEPT,
            changes=now - timedelta(seconds=kept.events),
        )

    async def _hold_bound(self, now: datetime) -> None:
        """At the limit, roll up the oldest samples, and then hours, earlier than configured, until there is space."""
        extent, most = await self._store.extent(), self._settings.max_size
        if extent.size_bytes <= most:
            return
        horizons = RetentionLimits()
        # The first pass rolls up nothing: returning the free pages may be enough.
        for horizons in chain([RetentionLimits()], _sooner(extent, now)):
            await self._store.keep(horizons, spare_share=0.0)
            extent = await self._store.extent()
            if extent.size_bytes <= ROOM_SHARE * most:
                break
        if horizons != RetentionLimits() or extent.size_bytes > most:
            await self._tell(_words(horizons, self._settings, extent.size_bytes), now)

    async def _tell(self, text: str, now: datetime) -> None:
        noted_at = self.memory.noted_at
        if noted_at is None or now - noted_at >= NOTE_EVERY:
            self.memory.noted_at = now
            log.info("%s", text, extra=about(Event.RETENTION))
            await self._note(Entry.NOTE, text)


def _sooner(extent: Extent, now: datetime) -> Iterator[RetentionLimits]:
    """Horizons that come closer to now, first for samples, then for hours too."""
    found = RetentionLimits()
    for cut in _strides(extent.samples_from, _hour(now - timedelta(seconds=RAW_LEAST_S)), STRIDE):
        found = RetentionLimits(samples=_hour(cut))
        yield found
    for cut in _strides(extent.hours_from, _day(now - timedelta(seconds=HOURS_LEAST_S)), HOURS_STRIDE):
        found = replace(found, hours=_day(cut))
        yield found


def _strides(start: datetime | None, end: datetime, stride: timedelta) -> Iterator[datetime]:
    while start is not None and start < end:
        start = min(start + stride, end)
        yield start


def _words(horizons: RetentionLimits, settings: StoreSettings, size_bytes: int) -> str:
    bound = f"the database has reached its size limit of {format_size(settings.max_size)}"
    done = []
    if horizons.samples is not None:
        kept = format_duration(settings.samples)
        cut = f"{horizons.samples:%Y-%m-%d %H:%M} UTC"
        done.append(f"samples before {cut} were rolled up into hours, sooner than the configured {kept}")
    if horizons.hours is not None:
        kept = format_duration(settings.hours)
        done.append(
            f"hours before {horizons.hours:%Y-%m-%d} were rolled up into days, sooner than the configured {kept}"
        )
    if size_bytes > settings.max_size:
        done.append(f"it is still {format_size(size_bytes)}: raise max_size under [store], or run probes less often")
    return f"{bound}: {' and '.join(done)}"


def _hour(at: datetime) -> datetime:
    return at.replace(minute=0, second=0, microsecond=0)


def _day(at: datetime) -> datetime:
    return _hour(at).replace(hour=0)
