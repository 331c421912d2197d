"""Jobs that write, run by the one thread that owns the writing connection; jobs that wait together share a commit.

A commit costs a sync or a write of the WAL, so jobs that queue up while one is written go into the next transaction
together. If anything goes wrong in there, all of it is rolled back and each job is tried alone: so every job is all in
or not at all, and one that cannot be written takes no other with it.
"""

from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from watchkeeper.store import database
from watchkeeper.store.writing import Writing

GROUP = 256
"""The most jobs that share a transaction; bounds what is rolled back and what the WAL takes at once."""


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """One piece of writing. durable: it must survive a power cut. Its outcome goes into the future."""

    work: Callable[[Writing], Any]
    durable: bool
    future: "Future[Any]" = field(default_factory=Future)


class Committer:
    """Writes jobs, in their order. Lives in the thread that made it."""

    def __init__(self, path: Path) -> None:
        """Open the database for writing. The caller holds the Lock. Raises StoreError."""
        self._path = path
        self._conn = database.open_writing(path)
        self._writing = Writing(self._conn)

    def drain(self, waiting: deque[Job]) -> None:
        """Take jobs until none waits. Others may be appended meanwhile, by any thread."""
        while jobs := [waiting.popleft() for _ in range(min(len(waiting), GROUP))]:
            self._write(jobs)

    def close(self) -> None:
        """Close the connection; SQLite then takes the WAL into the database and deletes it, if nobody reads."""
        with database.translated(self._path):
            self._conn.close()

    def _write(self, jobs: Sequence[Job]) -> None:
        """Write the jobs in one transaction, or else each in its own."""
        try:
            results = self._together(jobs)
        except BaseException as error:  # noqa: BLE001  handed to the caller, who waits for it
            if len(jobs) == 1:
                jobs[0].future.set_exception(error)
                return
            for job in jobs:
                self._write([job])
        else:
            for job, result in zip(jobs, results, strict=True):
                job.future.set_result(result)

    def _together(self, jobs: Sequence[Job]) -> Sequence[Any]:
        durable = any(job.durable for job in jobs)
        try:
            with database.translated(self._path), database.transaction(self._conn, durable=durable):
                return [job.work(self._writing) for job in jobs]
        except BaseException:
            self._writing.forget()
            raise
