"""Runs write jobs in the one thread that owns the writing connection; jobs that wait together share a commit.

A commit costs a sync or a write of the WAL, so jobs that queue up during one go into the next transaction together. If
anything fails there, the whole transaction is rolled back and each job is tried alone: so every job is written
completely or not at all, and one that cannot be written does not fail the others.
"""

import asyncio
import logging
import sqlite3
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from watchkeeper.clock import Clock
from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.store import connection as database
from watchkeeper.store.recovery import inspection, location
from watchkeeper.store.recovery.inspection import Scope
from watchkeeper.store.rows.checked_rows import Damage
from watchkeeper.store.writer import MOVED_AT_ONCE, Writer

log = logging.getLogger(__name__)

Work = Callable[[Writer], Any]

GROUP = 256
"""The most jobs that share a transaction; bounds what is rolled back and what the WAL takes at once."""


@dataclass(slots=True, eq=False)  # not frozen: setting the fields of a frozen one takes three times as long
class Job:
    """One write, not changed once it is made.

    durable: it must survive a power cut. waiter: the future, in `loop`, that waits for it.
    """

    work: Work
    durable: bool
    loop: asyncio.AbstractEventLoop
    waiter: "asyncio.Future[Any]"

    def settle(self, result: Any, error: BaseException | None) -> None:  # noqa: ANN401  whatever the work returned
        """Give the waiter its result, in its own thread. A waiter that was cancelled in the meantime gets none."""
        if self.waiter.done():
            return
        if error is not None:
            self.waiter.set_exception(error)
        else:
            self.waiter.set_result(result)


Outcome = tuple[Job, Any, BaseException | None]


def _tell(outcomes: Sequence[Outcome]) -> None:
    """Wake each waiting loop once for all its jobs: waking it for each costs as much as writing ten samples."""
    by_loop: dict[asyncio.AbstractEventLoop, list[Outcome]] = {}
    for outcome in outcomes:
        by_loop.setdefault(outcome[0].loop, []).append(outcome)
    for loop, own in by_loop.items():
        # In a closed loop nobody waits any more; what was written is written.
        with suppress(RuntimeError):
            loop.call_soon_threadsafe(_settle, own)


def _settle(outcomes: Sequence[Outcome]) -> None:
    for job, result, error in outcomes:
        job.settle(result, error)


class CommitQueue:
    """Runs jobs in order. Belongs to the thread that made it."""

    def __init__(self, path: Path) -> None:
        """Open the database for writing. The caller holds the Lock. Raises StoreError."""
        self._path = path
        self._conn = database.open_writing(path)
        self._writing = Writer(self._conn)
        self._durable: bool | None = None

    def drain(self, waiting: deque[Job]) -> None:
        """Take jobs until none waits. Any thread may append others in the meantime."""
        while jobs := [waiting.popleft() for _ in range(min(len(waiting), GROUP))]:
            _tell(self._write(jobs))

    def set_aside(self, damages: Sequence[Damage]) -> None:
        """Move rows that a reader found to be damaged. What cannot be moved now is found again at the next read."""
        self._repair(lambda writing: writing.set_aside(damages[:MOVED_AT_ONCE], Clock().now()))

    def sweep(self, scopes: tuple[Scope, ...], *, rebuild: bool) -> StoreError | None:
        """Move every damaged row of these scopes, and set the outbox's heads. Returns why that failed, if it did.

        rebuild: also rebuild their tables' indexes.
        """
        return self._repair(lambda writing: writing.sweep(scopes, Clock().now(), rebuild=rebuild))

    def data_version(self) -> int:
        """A number that changes once another connection has committed, never by this one's own commits."""
        (number,) = self._conn.execute("PRAGMA data_version").fetchone()
        return int(number)

    def look_again(self) -> None:
        """After somebody else has written: forget what is cached, and compare the definitions with ours."""
        self._writing.forget()
        with database.translated(self._path):
            database.put_right(self._conn, self._path)

    def write_again(self, path: Path, at: datetime) -> Path:
        """Write everything to a new file (recovery/location.py). Raises StoreError, OSError."""
        with database.translated(path):
            return location.write_again(self._conn, path, at)

    def close(self) -> None:
        """Close the connection; SQLite then moves the WAL into the database and deletes it, if nobody reads."""
        with database.translated(self._path):
            self._conn.close()

    def _repair(self, work: Work) -> StoreError | None:
        try:
            self._together([work], durable=True)
        except StoreError as error:
            log.error("damaged rows cannot be moved now: %s", error, extra=about(Event.DATABASE))  # noqa: TRY400  text says it all
            return error
        return None

    def _write(self, jobs: Sequence[Job]) -> Sequence[Outcome]:
        """Write the jobs in one transaction, or else each in its own."""
        try:
            results = self._together([job.work for job in jobs], durable=any(job.durable for job in jobs))
            return [(job, result, None) for job, result in zip(jobs, results, strict=True)]
        except BaseException as error:  # noqa: BLE001  handed to the caller, who waits for it
            if len(jobs) > 1:
                return [self._write([job])[0] for job in jobs]
            return [self._once_more(jobs[0], error)]

    def _once_more(self, job: Job, error: BaseException) -> Outcome:
        """Where the cause was an index that disagrees with its row, rebuild it and try again."""
        if getattr(error.__cause__, "sqlite_errorcode", 0) != sqlite3.SQLITE_CORRUPT_INDEX:
            return job, None, error
        self.sweep(inspection.WHOLE, rebuild=True)
        try:
            (result,) = self._together([job.work], durable=job.durable)
        except BaseException as again:  # noqa: BLE001  handed to the caller, who waits for it
            return job, None, again
        return job, result, None

    def _together(self, works: Sequence[Work], *, durable: bool) -> Sequence[Any]:
        changed = None if durable is self._durable else durable
        self._durable = None
        try:
            with database.translated(self._path), database.transaction(self._conn, durable=changed):
                results = [work(self._writing) for work in works]
                self._writing.flush()
        except BaseException:
            self._writing.forget()
            raise
        self._durable = durable
        return results
