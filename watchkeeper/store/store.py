"""The public interface of the store: async methods in front of one thread that writes and one that reads.

SQLite's connections belong to the thread that made them. Writing goes through one thread, so that there is one writer;
reading has its own connection and thread, so that a long query never delays a commit, and the other way round. What
belongs here: passing work to these threads. Not here: SQL.
"""

import asyncio
import logging
from collections import deque
from collections.abc import AsyncIterator, Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from watchkeeper.clock import Clock
from watchkeeper.errors import StoreDamaged, StoreError, StoreFull
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.alert import Alert
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.history.availability import AnswerHistory
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.decision import Decision
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.model.records import (
    Bucket,
    Commit,
    Delivery,
    Entry,
    EventLine,
    LevelSamples,
    Quarantined,
    Sample,
    Seen,
    Series,
)
from watchkeeper.ownership.file_rights import take_rights_of
from watchkeeper.ownership.folder_owner import owner_of, real_file
from watchkeeper.store.commit_queue import CommitQueue, Job
from watchkeeper.store.files import file_lock
from watchkeeper.store.files.file_guard import FileGuard
from watchkeeper.store.files.reserve import give_up_spare
from watchkeeper.store.history.retention_limits import Extent, RetentionLimits
from watchkeeper.store.reader import Reader
from watchkeeper.store.recovery import indexes, inspection, repair
from watchkeeper.store.recovery.kept_aside import OWNER, KeptAside, reserve_of, still_open
from watchkeeper.store.recovery.location import Location
from watchkeeper.store.rows.checked_rows import Damage
from watchkeeper.store.rows.probe_state import (
    MAINTENANCE_OWNER,
    StoredChanges,
    StoredJobReports,
    StoredProbeState,
    StoredReplication,
    maintenance_of,
    maintenance_text,
)
from watchkeeper.store.writer import Writer

log = logging.getLogger(__name__)

_CLOCK = Clock()

T = TypeVar("T")

KEEP_STEP = 500
"""Rows moved or deleted in one transaction: measured at 2 ms, so that a commit in the queue does not wait long."""

HAND_BACK_STEP = 50
"""Free pages released in one transaction: takes as long as a step of retention."""

SWEEP_S = 60.0
"""Minimum time between full checks after SQLite failed to read: one takes a second for a million rows."""

SPARE_SHARE = 0.05
"""The share of the file's pages that stays free after retention: the next samples use them, and releasing them first
would move pages for nothing."""


class Store:
    """An open database. Created by open(), ended by close(), or used as `async with await Store.open(path)`."""

    def __init__(self, path: Path) -> None:
        """Use open() instead: it sets what this leaves empty."""
        self.path = path
        self.version = 0
        """Changes with each write; what was read while it did not change is still valid."""
        self._readers = ThreadPoolExecutor(1, thread_name_prefix="store-reader")
        self._writers = ThreadPoolExecutor(1, thread_name_prefix="store-writer")
        self._waiting: deque[Job] = deque()
        self._reading: Reader | None = None
        self._committer: CommitQueue | None = None
        self._lock: file_lock.Lock | None = None
        self._aside: KeptAside | None = None
        self._guard: FileGuard | None = None
        self._swept_s = -SWEEP_S
        self.probe_states = StoredProbeState(self._write, self._read)
        self.job_reports = StoredJobReports(self._write, self._read)
        self.change_log = StoredChanges(self._write)
        self.replication = StoredReplication(self._write, self._read)

    @classmethod
    async def open(cls, path: Path, *, read_only: bool = False, repair_at: datetime | None = None) -> "Store":
        """Open the database, and create it where there is none.

        repair_at: now; a damaged database is then set aside, and a new one started with what is left
        (store/recovery/repair.py). read_only: for commands; works while a daemon writes, and creates nothing. Raises
        StartError where the path cannot be used or another process has the database open for writing (it says which),
        StoreTooNew, StoreDamaged, StoreFull, and StoreError where there is nothing to read yet.
        """
        store = cls(path)
        try:
            if read_only:
                await store._in_thread(store._readers, store._take_rights)
            else:
                await store._in_thread(store._writers, lambda: store._open_writing(repair_at))
            store._reading = await store._in_thread(store._readers, lambda: Reader(real_file(path)))
        except BaseException:
            await store.close()
            raise
        return store

    def _take_rights(self) -> None:
        """As root, give the reading thread the file rights of the folder's owner, and no others.

        SQLite opens -wal and -journal by name, and as root gives them to the database's owner, whatever they are.
        """
        path = real_file(self.path)
        if (owner := owner_of(path.parent)) is not None:
            take_rights_of(owner)
            file_lock.refuse_strangers(path, owner)

    def _open_writing(self, repair_at: datetime | None) -> None:
        file_lock.make_database_file(self.path)
        self._lock = file_lock.Lock(self.path)
        try:
            self._open_database(repair_at)
        except StoreFull:
            if not give_up_spare(reserve_of(self.path)):
                raise
            self._open_database(repair_at)

    def _open_database(self, repair_at: datetime | None) -> None:
        if repair_at is not None:
            repair.repair(self.path, repair_at)
        self._committer = CommitQueue(self.path)
        if repair_at is not None:
            self._make_readable(self._committer, repair_at)

    def _make_readable(self, committer: CommitQueue, repair_at: datetime) -> None:
        """Move damaged rows away. If that fails, an index may be the cause; if it still fails, start a new database."""
        trouble = committer.sweep(inspection.FREQUENT, rebuild=False)
        if isinstance(trouble, StoreDamaged):
            trouble = committer.sweep(inspection.WHOLE, rebuild=True)
        if isinstance(trouble, StoreDamaged):
            committer.close()
            repair.repair(self.path, repair_at, str(trouble.__cause__ or trouble))
            self._committer = CommitQueue(self.path)

    async def close(self) -> None:
        """Write what is still in the queue, and close. May be called twice; no other method may be called after it."""
        reading, self._reading = self._reading, None
        committer, self._committer = self._committer, None
        lock, self._lock = self._lock, None
        held = self._aside, self._guard
        self._aside = self._guard = None
        try:
            # The reader first: the connection that closes last moves the WAL into the database, which a reader may not
            # do.
            if reading is not None:
                await self._in_thread(self._readers, reading.close)
            if committer is not None:
                await self._in_thread(self._writers, lambda: committer.drain(self._waiting))
                await self._in_thread(self._writers, committer.close)
        finally:
            self._readers.shutdown(wait=False)
            self._writers.shutdown(wait=False)
            for each in held:
                if each is not None:
                    each.close()
            if lock is not None:
                lock.release()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    # Writing ------------------------------------------------------------------------------------------------------

    async def commit(self, commit: Commit, *, with_kept: bool = False) -> None:
        """Write a whole unit of work in one transaction.

        with_kept: it contains everything that was kept aside. A unit of work that contains alerts, event log lines or
        deliveries is safe from a power cut when this returns. If the caller is cancelled while it waits, the unit of
        work is written anyway. Raises StoreFull where there is no space, StoreError for what cannot be stored; nothing
        is written then.
        """
        durable = bool(commit.alerts or commit.events or commit.deliveries)
        number = 0 if self._aside is None or not with_kept else self._aside.number

        def work(writing: Writer) -> None:
            writing.commit(commit)
            if number:
                writing.write_note(OWNER, str(number))

        await self._write(work, durable=durable)

    async def kept_aside(self) -> Commit:
        """What an earlier run kept aside because the database could not take it, and the database does not contain.

        Called once, before keep_aside().
        """
        said = await self._read(lambda reading: reading.note(OWNER))
        taken_over = int(said) if said.isdecimal() else 0
        self._aside = aside = await self._in_thread(self._writers, lambda: KeptAside(self.path, taken_over))
        kept = aside.read()
        threads = {each.message.thread for each in kept.deliveries}
        stored = await self._read(lambda reading: reading.message_ids(threads)) if threads else set[tuple[str, str]]()
        return still_open(kept, is_newer=aside.is_newer, stored=stored)

    async def keep_aside(self, commit: Commit) -> bool:
        """Write beside the database what it cannot take now, in place of what was kept before; False if that fails.

        It is safe from a power cut when this returns True.
        """
        aside = self._aside
        return aside is not None and await self._in_thread(self._writers, lambda: aside.write(commit))

    async def delivery_done(self, delivery: Delivery, line: EventLine | None = None) -> None:
        """Write a delivery's new state, tries, due_at, trouble and done_at, and its event log line, in one transaction.

        Raises StoreError where the outbox has no such delivery, StoreFull; nothing is written then.
        """
        await self._write(lambda writing: writing.delivery_done(delivery, line), durable=True)

    async def put_together(self, one: Delivery, held: Sequence[tuple[Delivery, EventLine]]) -> None:
        """Add a delivery in place of others, which are done with it, with their event log lines, in one transaction.

        Raises StoreError, StoreFull; nothing is written then.
        """
        await self._write(lambda writing: writing.put_together(one, held), durable=True)

    async def keep(self, horizons: RetentionLimits, *, spare_share: float = SPARE_SHARE) -> int:
        """Roll up and delete what is older than the horizons, in small steps between which commits run.

        spare_share: the share of the file's pages that may stay free; the others are returned to the file system.
        Returns how many rows were moved or deleted.
        """
        rows = 0
        for chore in horizons.chores():
            after: int | None = 0
            while after is not None:
                work = partial(Writer.chore, chore=chore, limit=KEEP_STEP, after=after)
                step = await self._write(work, durable=False)
                rows, after = rows + step.rows, step.after
        back = partial(Writer.hand_back, pages=HAND_BACK_STEP, spare_share=spare_share)
        while await self._write(back, durable=False) == HAND_BACK_STEP:
            pass
        return rows

    async def inspect(self, *, whole: bool) -> None:
        """Find rows that cannot be read, in small steps, and move them to the quarantine.

        whole: also check the event log and completed deliveries.
        """
        for scope in inspection.WHOLE if whole else inspection.FREQUENT:
            after: int | None = inspection.FIRST
            while after is not None:
                after = await self._read(partial(Reader.inspect, scope=scope, after=after, limit=KEEP_STEP))
        await self._write(lambda writing: writing.sweep((), _CLOCK.now(), rebuild=False), durable=False)

    async def check_indexes(self) -> None:
        """Check whether every index agrees with its table, and rebuild those that do not.

        It has a connection and a thread of its own, so that neither readers nor writers wait for it.
        """
        for wrong in await asyncio.to_thread(indexes.check, self.path):
            await self._write(wrong.put_right, durable=True)

    async def _write(self, work: Callable[[Writer], T], *, durable: bool) -> T:
        committer = self._committer
        if committer is None:
            how = "is closed" if self._reading is None else "is open for reading only"
            raise StoreError(f"{self.path} {how}: nothing can be written to it")
        loop = asyncio.get_running_loop()
        waiter: asyncio.Future[T] = loop.create_future()
        self._waiting.append(Job(work, durable, loop, waiter))
        # With more than one waiting, a drain is already scheduled that ends only when none waits. It starts after
        # everything that is ready to run now, so that units of work that arrive at the same moment share their
        # transaction.
        if len(self._waiting) == 1:
            loop.call_soon(self._writers.submit, self._drain)
        try:
            return await waiter
        finally:
            self.version += 1

    def _drain(self) -> None:
        """Runs in the writers' thread, with the connection of then."""
        if self._committer is not None:
            self._committer.drain(self._waiting)

    async def look_at_file(self, now: datetime) -> Location:
        """Compare the file in use with what the database's path names now; the first call only remembers the file.

        What was deleted, moved or replaced is written to a new file, which is used from then on. Raises StoreError.
        """
        committer = self._committer
        if committer is None:
            raise StoreError(f"{self.path} is closed, or open for reading only: nobody watches its file")
        found = await self._in_thread(self._writers, lambda: self._compare(committer, now))
        reading = self._reading
        if found.written and reading is not None:
            self._reading = await self._in_thread(self._readers, lambda: Reader(found.path))
            await self._in_thread(self._readers, reading.close)
        return found

    def _compare(self, committer: CommitQueue, now: datetime) -> Location:
        if self._guard is None:
            self._guard = FileGuard(self.path, committer)
        found = self._guard.look(now)
        self._committer = self._guard.committer
        return found

    # Reading ------------------------------------------------------------------------------------------------------

    async def series(self) -> Sequence[Series]:
        """Every series, in the order in which they were first seen."""
        return await self._read(lambda reading: reading.series())

    async def latest(self) -> Sequence[Seen]:
        """The newest observation of every series, in the order of series()."""
        return await self._read(lambda reading: reading.latest())

    async def samples(self, key: SeriesKey, since: datetime, until: datetime) -> Sequence[Sample]:
        """A series' samples, oldest first, both ends included.

        Where samples are no longer kept, an hour (or a day) is represented by one sample or two: its least and its
        most, the one nearer to its last value second, and one without value where it had such.
        """
        return await self._read(lambda reading: reading.samples(key, since, until))

    async def answers(self, series: Series, since: datetime, until: datetime) -> AnswerHistory:
        """When a service answered between two times and when it did not, oldest first; from roll-ups if need be."""
        return await self._read(lambda reader: reader.answers(series.key, since, until, series.interval_s))

    async def extent(self) -> Extent:
        """How large the database is, and how far back its samples and hours go."""
        return await self._read(lambda reading: reading.extent())

    async def data_version(self) -> int:
        """A number that changes once anybody has committed; costs almost nothing to read."""
        return await self._read(lambda reading: reading.data_version())

    async def samples_thinned(self, key: SeriesKey, since: datetime, until: datetime, points: int) -> Sequence[Bucket]:
        """A series' samples combined into about `points` (at most one more) equal stretches of time, oldest first.

        Stretches without a sample are left out. None is shorter than an hour (or a day) where the samples are no longer
        kept.
        """
        return await self._read(lambda reading: reading.samples_thinned(key, since, until, points))

    async def level_samples(self, since: datetime) -> AsyncIterator[LevelSamples]:
        """The history of every level since an instant, one level after the other, to refill histories with.

        The newest samples unchanged; before them three of each hour, and long before, three of each day.
        """
        keys = await self._read(lambda reading: reading.level_keys())
        ahead: deque[asyncio.Future[LevelSamples]] = deque()
        for key in keys:
            # The next one is read while the caller, in this thread, works on the one before.
            ahead.append(self._reading_of(partial(Reader.level_samples, key=key, since=since)))
            if len(ahead) > 1:
                yield await ahead.popleft()
        while ahead:
            yield await ahead.popleft()

    async def findings(self) -> Sequence[Finding]:
        """The newest finding of every concern."""
        return await self._read(lambda reading: reading.findings())

    async def forecasts(self, key: SeriesKey | None = None) -> Sequence[KeptForecast]:
        """The forecasts that were kept, of a series or of all, oldest first; with their outcomes, as far as known."""
        return await self._read(lambda reading: reading.forecasts(key))

    async def maintenance(self) -> Sequence[Maintenance]:
        """What maintenance is planned; some of it may be over."""
        return maintenance_of(await self.probe_states.read(MAINTENANCE_OWNER))

    async def keep_maintenance(self, planned: Sequence[Maintenance]) -> None:
        """Store what maintenance is planned, in place of what was. Raises StoreError."""
        await self.probe_states.write(MAINTENANCE_OWNER, maintenance_text(planned))

    async def decisions(self, subject: str, since: datetime) -> Sequence[Decision]:
        """Why something was or was not sent about a subject since an instant, oldest first."""
        return await self._read(lambda reading: reading.decisions(subject, since))

    async def changes(
        self,
        since: datetime | None = None,
        until: datetime | None = None,
        *,
        kinds: Collection[ChangeKind] = (),
        limit: int = 1_000,
    ) -> Sequence[Change]:
        """What changed on the host from `since` to `until`, both included, newest first. kinds: only these, if any."""
        return await self._read(lambda reading: reading.changes(since, until, kinds, limit))

    async def alerts(self) -> Sequence[Alert]:
        """Every alert that is not in its initial normal state."""
        return await self._read(lambda reading: reading.alerts())

    async def events(
        self,
        *,
        key: SeriesKey | None = None,
        before_id: int | None = None,
        after_id: int | None = None,
        entry: Entry | None = None,
        since: datetime | None = None,
        limit: int = 100,
    ) -> Sequence[EventLine]:
        """Event log lines that match every argument, newest first; with after_id oldest first (for following)."""
        return await self._read(
            lambda reading: reading.events(
                key=key, before_id=before_id, after_id=after_id, entry=entry, since=since, limit=limit
            )
        )

    async def next_delivery(self, notifier: str, passing: Collection[int] = ()) -> Delivery | None:
        """The waiting delivery of a notifier that is due first, even if its due_at is in the future.

        Within one thread never a later one before an earlier. passing: ids of deliveries that count as done.
        """
        return await self._read(lambda reading: reading.next_delivery(notifier, passing))

    async def held_deliveries(self, notifier: str, now: datetime) -> Sequence[Delivery]:
        """The deliveries that were held for quiet hours, are due and not tried yet, in the order they were made."""
        return await self._read(lambda reading: reading.held_deliveries(notifier, now))

    async def deliveries(self, *, only_open: bool = True, limit: int = 100) -> Sequence[Delivery]:
        """Deliveries of every notifier, newest first; only_open leaves out completed ones."""
        return await self._read(lambda reading: reading.deliveries(only_open=only_open, limit=limit))

    async def waiting_deliveries(self) -> Mapping[str, int]:
        """How many deliveries wait, by notifier; without those of which none waits."""
        return await self._read(lambda reader: reader.waiting_deliveries())

    async def quarantined(self, since: datetime, now: datetime) -> Sequence[Quarantined]:
        """Stored rows that could not be read and were moved away since an instant, newest first."""
        return await self._read(lambda reading: reading.quarantined(since, now))

    async def last_commit_at(self) -> datetime | None:
        """The instant of the newest commit, by the clock at that time; None where there was none yet."""
        return await self._read(lambda reading: reading.last_commit_at())

    async def _read(self, query: Callable[[Reader], T]) -> T:
        return await self._reading_of(query)

    def _reading_of(self, query: Callable[[Reader], T]) -> asyncio.Future[T]:
        reading = self._reading
        if reading is None:
            raise StoreError(f"{self.path} is closed: nothing can be read from it")
        return self._in_thread(self._readers, lambda: self._answer(reading, query))

    def _answer(self, reading: Reader, query: Callable[[Reader], T]) -> T:
        """Runs in the readers' thread: returns the answer; damage found on the way goes to the writer."""
        try:
            return query(reading)
        except StoreDamaged:
            self._sweep_after_damage()
            raise
        finally:
            if damages := reading.take_damages():
                self._leave_out(damages)

    def _leave_out(self, damages: Sequence[Damage]) -> None:
        if self._committer is not None:
            self._in_writer(lambda committer: committer.set_aside(damages))
            return
        text = "%s: %d stored rows cannot be read and are left out; the daemon moves them away: %s"
        log.warning(text, self.path, len(damages), _named(damages), extra=about(Event.DATABASE))

    def _sweep_after_damage(self) -> None:
        """The cause may be an index alone; then the next read works. At most once a minute."""
        now_s = _CLOCK.monotonic_s()
        if now_s - self._swept_s >= SWEEP_S:
            self._swept_s = now_s
            self._in_writer(lambda committer: committer.sweep(inspection.WHOLE, rebuild=True))

    def _in_writer(self, work: Callable[[CommitQueue], object]) -> None:
        """Run work that nobody waits for; nothing where this store is open for reading only, or closed."""
        committer = self._committer
        if committer is None:
            return
        with suppress(RuntimeError):
            self._writers.submit(work, committer)

    def _in_thread(self, executor: ThreadPoolExecutor, work: Callable[[], T]) -> asyncio.Future[T]:
        return asyncio.get_running_loop().run_in_executor(executor, work)


def _named(damages: Sequence[Damage]) -> str:
    """The first few, for the log."""
    return "; ".join(f"{each.form.table} {each.place[0]}: {each.why}" for each in damages[:3])
