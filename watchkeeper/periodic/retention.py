"""The daemon's keeping: at steady intervals it rolls up and lets go what the configuration says, and holds the bound.
It also looks for damage: often at what the watch works with, once a week at everything and at the indexes.

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
"""How often it is kept: of 300 series at a minute, an hour is forty small steps, once an hour."""

STEP_S = 3600.0
"""The wall clock and the monotonic one drifting apart by this much between two keepings is a clock that was set: what
it says is not trusted with deleting until it has stood for another turn."""

LEAP = timedelta(days=60)
"""A clock that is ahead of the newest record by more than this may be wrong, or the host was off for long. No smaller
jump deletes any hour (the configuration keeps them for so long at least): it only rolls up sooner."""

TRUST_S = 7 * 86_400.0
"""After a leap nothing is rolled up or deleted before the watch has lived for so long by that clock: somebody has seen
by then that it is years ahead. What is kept meanwhile costs the size of a week."""

OWNER = " keeping"
"""Of the note in which a leap outlives a restart; no probe's name begins with a space."""

INDEX_OWNER = " indexes"
"""Of the note that says when all was looked through last."""

WHOLE_EVERY = timedelta(days=7)
"""How often everything is looked through: it reads all of the database."""

RAW_LEAST_S = 86_400.0
HOURS_LEAST_S = 60 * 86_400.0
"""At the bound, the last day's samples are left alone, and the hours that a forecast looks at (eight weeks)."""

STRIDE = timedelta(hours=6)
HOURS_STRIDE = timedelta(days=14)
"""What is rolled up at once at the bound, before the size is looked at again."""

ROOM_SHARE = 0.95
"""At the bound, room is made down to this share of it, so that it is not reached again within the hour."""

NOTE_EVERY = timedelta(days=1)
"""A bound that is reached again and again is told in the journal once a day."""


class KeptStore(Protocol):
    """What keeping needs of the store."""

    async def keep(self, horizons: RetentionLimits, *, spare_share: float = ...) -> int:
        """Roll up and let go what is older than the horizons; how many rows."""
        ...

    async def extent(self) -> Extent:
        """How large the database is."""
        ...

    async def inspect(self, *, whole: bool) -> None:
        """Look for rows that cannot be read, and have them moved away. whole: in all tables."""
        ...

    async def check_indexes(self) -> None:
        """Look whether every index says what its table says, and build those again that do not."""
        ...


class Notes(Protocol):
    """Keeps a text across restarts."""

    async def read(self, owner: str) -> str:
        """What the owner wrote last; empty where it never did. Raises StoreError."""
        ...

    async def write(self, owner: str, text: str) -> None:
        """Replace what the owner wrote. Raises StoreError."""
        ...


class Note(Protocol):
    """Writes a line into the journal."""

    def __call__(self, entry: Entry, text: str) -> Awaitable[None]:
        """The line's kind and text."""
        ...


@dataclass(slots=True)
class _Memory:
    """What is shared with the keeping of the next configuration, while a turn is under way too.

    turn: both clocks at the last one. noted_at: when the bound was last told of. newest: the newest record.
    """

    turn: tuple[datetime, float] | None = None
    noted_at: datetime | None = None
    newest: datetime | None = None


class Retention:
    """Keeps one store as its settings say. Run it every EVERY_S seconds."""

    def __init__(
        self,
        store: KeptStore,
        settings: StoreSettings,
        clock: Clock,
        note: Note,
        notes: Notes | None = None,
        before: "Retention | None" = None,
    ) -> None:
        """notes: where a leap of the clock is remembered; None: for this life alone.

        before: what kept the store until now, by another configuration.
        """
        self._store, self._settings, self._clock, self._note = store, settings, clock, note
        self._notes = notes or MemoryStateStore()
        self.memory: _Memory = _Memory() if before is None else before.memory

    async def begin(self, last_alive: datetime | None) -> None:
        """At a start: how far is the clock ahead of the newest record?"""
        now, self.memory.newest = self._clock.now(), last_alive
        if last_alive is None or now - last_alive <= LEAP:
            return
        try:
            await self._leapt(last_alive, now)
        except StoreError:
            log.exception("the leap of the clock could not be written down", extra=about(Event.KEEPING))

    async def run(self) -> None:
        """Keep once. Does nothing in its first turn, and in one after which the clock was set; never raises."""
        now, before = self._clock.now(), self.memory.turn
        steady = self._steady(now)
        await self._look_for_damage(now)
        try:
            if before is not None:
                # A clock that was behind and is set right has not leapt.
                newest = self.memory.newest = max(before[0], self.memory.newest or before[0])
                if now - newest > LEAP:
                    await self._leapt(newest, now)
            if not steady or not await self._trusted(now):
                return
            await self._store.keep(self._horizons(now))
            await self._hold_bound(now)
        except StoreFull as error:
            # Rolling up needs a little room before it gives some back; it is tried again when there is some.
            log.warning("keeping waits for room: %s", error, extra=about(Event.KEEPING))
        except StoreError:
            log.exception("the database could not be kept this time", extra=about(Event.KEEPING))

    async def _look_for_damage(self, now: datetime) -> None:
        """Look through what the watch works with, and once a week through everything; never raises."""
        try:
            whole = await self._whole_is_due(now)
            await self._store.inspect(whole=whole)
            if whole:
                await self._store.check_indexes()
                await self._notes.write(INDEX_OWNER, now.isoformat())
        except StoreError:
            log.exception("the database could not be looked through this time", extra=about(Event.KEEPING))

    async def _whole_is_due(self, now: datetime) -> bool:
        """A note that cannot be read counts as none; so does one from a clock that was ahead."""
        try:
            last = datetime.fromisoformat(await self._notes.read(INDEX_OWNER))
            return not timedelta(0) <= now - last < WHOLE_EVERY
        except (ValueError, TypeError):
            return True

    def _steady(self, now: datetime) -> bool:
        """Has the clock run evenly since the turn before?"""
        before, monotonic_s = self.memory.turn, self._clock.monotonic_s()
        self.memory.turn = now, monotonic_s
        if before is None:
            return False
        return abs((now - before[0]).total_seconds() - (monotonic_s - before[1])) < STEP_S

    async def _leapt(self, since: datetime, now: datetime) -> None:
        """Remember where the clock leapt from, and that it is not trusted yet."""
        ahead = duration((now - since).total_seconds())
        text = (
            f"the clock is {ahead} ahead of the newest record: nothing is rolled up or deleted before"
            f" the watch has gone on by it for {duration(TRUST_S)}. If it is wrong, set it"
        )
        await self._remember(since, 0.0)
        await self._note(Entry.NOTE, text)

    async def _trusted(self, now: datetime) -> bool:
        """Has the clock not leapt, or has the watch lived by it for long enough, or was it set back?"""
        text = await self._notes.read(OWNER)
        if not text:
            return True
        try:
            leap = json.loads(text)
            since, lived_s = datetime.fromisoformat(leap["since"]), leap["lived_s"] + EVERY_S
        except (ValueError, TypeError, KeyError):
            # Not known since when: the whole time is waited again.
            since, lived_s = datetime.fromtimestamp(0, UTC), 0.0
        if lived_s < TRUST_S and now - since > LEAP:
            await self._remember(since, lived_s)
            return False
        await self._notes.write(OWNER, "")
        return True

    async def _remember(self, since: datetime, lived_s: float) -> None:
        await self._notes.write(OWNER, json.dumps({"since": since.isoformat(), "lived_s": lived_s}))

    def _horizons(self, now: datetime) -> RetentionLimits:
        kept = self._settings
        return RetentionLimits(
            samples=_hour(now - timedelta(seconds=kept.samples)),
            hours=_day(now - timedelta(seconds=kept.hours)),
            days=_day(now - timedelta(seconds=kept.days)),
            journal=now - timedelta(seconds=kept.journal),
            delivered=now - timedelta(seconds=kept.delivered),
            gone=now - timedelta(seconds=kept.gone),
        )

    async def _hold_bound(self, now: datetime) -> None:
        """At the bound, roll up the oldest samples, and then hours, sooner than their time, until there is room."""
        extent, most = await self._store.extent(), self._settings.most
        if extent.size_bytes <= most:
            return
        horizons = RetentionLimits()
        # At first nothing: handing back the pages that are free may be enough.
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
            log.info("%s", text, extra=about(Event.KEEPING))
            await self._note(Entry.NOTE, text)


def _sooner(extent: Extent, now: datetime) -> Iterator[RetentionLimits]:
    """Horizons that come nearer to now, first for samples, then for hours too."""
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
    bound = f"the database has reached its bound of {format_size(settings.most)}"
    done = []
    if horizons.samples is not None:
        kept = format_duration(settings.samples)
        done.append(f"samples from before {horizons.samples:%Y-%m-%d %H:%M} UTC became hours, though kept for {kept}")
    if horizons.hours is not None:
        kept = format_duration(settings.hours)
        done.append(f"hours from before {horizons.hours:%Y-%m-%d} became days, though kept for {kept}")
    if size_bytes > settings.most:
        done.append(f"it still holds {format_size(size_bytes)}: set [store] most higher, or watch less often")
    return f"{bound}: {' and '.join(done)}"


def _hour(at: datetime) -> datetime:
    return at.replace(minute=0, second=0, microsecond=0)


def _day(at: datetime) -> datetime:
    return _hour(at).replace(hour=0)
