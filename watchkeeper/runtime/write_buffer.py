"""Commits the units of work, and keeps what cannot be written until it can be.

While the database cannot be written, only samples are lost: alerts and event log lines wait in memory, messages go to
the outbox, which sends them from there, and an alert about the database itself notifies the operator. When there is
space again everything is written, with the gap recorded in the event log. Not here: what is reported (pipeline.py,
unit_of_work.py).
"""

import asyncio
import logging
from datetime import datetime

from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.alerting.group_alerts import DATABASE, OWN
from watchkeeper.alerting.rules import Rules
from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.messages.wording import duration
from watchkeeper.model.observation import Condition, Kind
from watchkeeper.model.ports import WriteStore
from watchkeeper.model.records import Entry, EventLine
from watchkeeper.runtime.unit_of_work import Notifications, OutboxPort, UnitOfWork

log = logging.getLogger(__name__)


class WriteBuffer:
    """Writes units of work, in order where order matters."""

    def __init__(self, store: WriteStore, outbox: OutboxPort, notifications: Notifications, book: AlertBook) -> None:
        """outbox: sends what the store has no space for. book: all alerts."""
        self._store, self._outbox, self._notifications, self._book = store, outbox, notifications, book
        self._kept = UnitOfWork()
        self._writing = asyncio.Lock()
        self._failing_since: datetime | None = None
        self._database = SeriesEvaluator(DATABASE, Kind.CONDITION, float("inf"), Rules(), book)

    @property
    def held_back(self) -> int:
        """The number of records that wait in memory because the store cannot be written."""
        return len(self._kept.events) + len(self._kept.alerts) + self._outbox.holding

    @property
    def trouble(self) -> str:
        """Why the database cannot be written; empty if it can."""
        seen = self._database.latest
        return seen.reason if self._failing_since is not None and isinstance(seen, Condition) else ""

    async def write(self, unit: UnitOfWork, now: datetime) -> None:
        """Commit a unit with the alerts that changed, and with what could not be written before it.

        What cannot be written is kept.
        """
        unit.collect(self._book.collect_changed())
        if not unit.lasting and not self.held_back:
            await self._commit(unit, now)
            return
        # One at a time: a message that had to be kept must not be overtaken by the next one of its alert.
        async with self._writing:
            if await self._commit(self._with_kept(unit), now) and (back := self._back(now)).lasting:
                await self._commit(back, now)

    def _with_kept(self, unit: UnitOfWork) -> UnitOfWork:
        """The unit appended to what waits; only the newest state of each alert counts."""
        kept, self._kept = self._kept, UnitOfWork()
        unit.alerts = {key: self._book.get(*key) for key in {**kept.alerts, **unit.alerts}}
        deliveries, lines = self._outbox.take_back()
        unit.events[:0] = [*kept.events, *lines]
        unit.deliveries[:0] = deliveries
        return unit

    async def _commit(self, unit: UnitOfWork, now: datetime) -> bool:
        try:
            await self._store.commit(unit.commit())
        except StoreError as error:
            self._keep(unit, str(error), now)
            return False
        if unit.deliveries:
            self._outbox.poke()
        return True

    def _keep(self, unit: UnitOfWork, reason: str, now: datetime) -> None:
        """Report that it cannot be written, and keep everything except the samples."""
        if self._failing_since is None:
            log.error("%s", reason, extra=about(Event.DATABASE, key=DATABASE))
            self._failing_since = now
        unit.seen.clear()
        self._evaluate(unit, Condition(DATABASE, ok=False, reason=reason, grave=True), now)
        unit.findings.clear()
        self._kept.alerts.update(unit.alerts)
        self._kept.events[:0] = unit.events
        self._outbox.hold(unit.deliveries)

    def _back(self, now: datetime) -> UnitOfWork:
        """End the alert about the database and record the gap, now that it can be written; empty if it always could."""
        unit, since, self._failing_since = UnitOfWork(), self._failing_since, None
        if self._book.get(DATABASE, OWN[DATABASE]).standing:
            self._evaluate(unit, Condition(DATABASE, ok=True), now)
        if since is not None:
            log.warning("the database can be written again", extra=about(Event.DATABASE, key=DATABASE))
            lasted = duration((now - since).total_seconds())
            text = (
                f"the database can be written again; samples are missing for {lasted}, since {since:%Y-%m-%d %H:%M} UTC"
            )
            unit.events.append(EventLine(now, Entry.NOTE, text, details={"missing since": since.isoformat()}))
        return unit

    def _evaluate(self, unit: UnitOfWork, seen: Condition, now: datetime) -> None:
        """Evaluate the database's own condition, and move its alert."""
        self._database.take(seen, now)
        findings = self._database.evaluate(now)
        for found in findings:
            for move in self._book.step(found, now, self._database.rules.delays(found.concern)):
                self._notifications.transition(unit, move, found)
        unit.found(findings)
        unit.collect(self._book.collect_changed())
