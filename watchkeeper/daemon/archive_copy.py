"""Starts and stops the copy to the archive, and reports its lag as a series of the daemon's own.

Not here: copying (watchkeeper/archive/worker.py), and whether the archive's server is well, which its own host reports.
"""

import asyncio
from collections.abc import Coroutine, Mapping, Sequence
from datetime import timedelta
from typing import Any, TypeVar

from watchkeeper.alerting.rules import Rules
from watchkeeper.archive.requests import AckRequest
from watchkeeper.archive.worker import CopyOf, Worker
from watchkeeper.clock import Clock
from watchkeeper.config.tables.archive import ArchiveSettings
from watchkeeper.config.types import SecretSource
from watchkeeper.daemon.archive_requests import ArchiveRequests
from watchkeeper.errors import StoreError
from watchkeeper.model.observation import Condition, Deadline, Observation
from watchkeeper.ownership.folder_owner import real_file
from watchkeeper.probes.base import BaseProbe
from watchkeeper.probes.own.self_check import ARCHIVE_ACCESS, ARCHIVE_COPY
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.store.replication.cursor import Cursor, Late
from watchkeeper.store.store import Store

T = TypeVar("T")

LABEL = " archive"
"""Among the probes; no configured probe can have this name, because names are stripped."""

EVERY_S = 60.0

SAVE_S = 60.0
"""How long the thread waits for the database; a full disk makes it fail at once."""


class ArchiveCopy(BaseProbe):
    """The copy of this host's database. Its probe reports how far behind it is."""

    def __init__(self, settings: ArchiveSettings, url: SecretSource, worker: Worker, clock: Clock) -> None:
        self._settings, self._url, self._worker, self._clock = settings, url, worker, clock
        self._began = clock.now()

    @classmethod
    async def begin(
        cls,
        settings: ArchiveSettings,
        url: SecretSource,
        store: Store,
        host: str,
        clock: Clock,
        requests: ArchiveRequests,
    ) -> "ArchiveCopy":
        """Start to copy. host: the name of this host. requests: does what stations ask. Raises StoreError."""
        of = CopyOf(real_file(store.path), host, await store.replication.installation())
        loop = asyncio.get_running_loop()

        async def written(cursor: Cursor, late: Mapping[int, Late]) -> None:
            await store.replication.write(cursor.dumps())
            if late:
                await store.replication.late_copied(late)

        def in_loop(work: Coroutine[Any, Any, T], what: str) -> T:
            done = asyncio.run_coroutine_threadsafe(work, loop)
            try:
                return done.result(SAVE_S)
            except TimeoutError:
                done.cancel()
                raise StoreError(f"the database did not take {what} within {SAVE_S:.0f} s") from None

        def save(cursor: Cursor, late: Mapping[int, Late]) -> None:
            in_loop(written(cursor, late), "the archive's cursor")

        def carry_out(asked: Sequence[AckRequest]) -> list[str]:
            return in_loop(requests.carry_out(asked), "what a station asked")

        worker = Worker(url, of, save, carry_out, clock, settings.every)
        worker.start()
        return cls(settings, url, worker, clock)

    async def stop(self) -> None:
        """End it."""
        await asyncio.to_thread(self._worker.stop)

    async def observe(self) -> Sequence[Observation]:
        """Report until when the next complete copy must be made, and whether the archive refuses this host."""
        progress = self._worker.progress
        lag_s = self._settings.max_lag
        last = progress.complete_at
        facts = (("cause", progress.error),) if progress.error else ()
        due_at = (last or self._began) + timedelta(seconds=lag_s)
        reason = progress.error if progress.refused else ""
        return [
            Deadline(ARCHIVE_COPY, due_at, last, period_s=lag_s, facts=facts),
            Condition(ARCHIVE_ACCESS, ok=not reason, reason=reason),
        ]

    def watched(self) -> ScheduledProbe:
        """The probe for the schedule."""
        return ScheduledProbe(LABEL, EVERY_S, self, Rules())
