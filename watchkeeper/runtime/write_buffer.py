"""Commits the units of work, and keeps what cannot be written until it can be.

While the database cannot be written, only samples and the reasons of decisions are lost: alerts and event log lines
wait in memory, messages go to the outbox, which sends them from there, and an alert about the database itself notifies
the operator. When there is space again everything is written, with the gap recorded in the event log.

Samples that change no alert wait for a short time, so that several share a commit; what changes one takes them along.

No message leaves before its text and its alert's state are on the disk: in the database, or else in the file that is
kept for that (store/recovery/kept_aside.py). So the next run continues each thread, and gives no id again. Where
neither can be written, the message leaves under an id that no other run gives. Not here: what is reported (pipeline.py,
unit_of_work.py).
"""

import asyncio
import logging
import secrets
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime

from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.correlation.group_alerts import DATABASE, OWN
from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.alerting.rules import Rules
from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.messages.wording import duration
from watchkeeper.model.observation import Condition, Kind
from watchkeeper.model.ports import WriteStore
from watchkeeper.model.records import Commit, Delivery, Entry, EventLine
from watchkeeper.runtime.unit_of_work import Notifications, OutboxPort, UnitOfWork

log = logging.getLogger(__name__)


class WriteBuffer:
    """Writes units of work, in order where order matters."""

    def __init__(
        self,
        store: WriteStore,
        outbox: OutboxPort,
        notifications: Notifications,
        book: AlertBook,
        gather_s: float = 0.0,
    ) -> None:
        """outbox: sends what the store has no space for. book: all alerts.

        gather_s: how long samples that change no alert wait for others, to share a commit; 0: not at all.
        """
        self._gather_s, self._gathered, self._gathered_at = gather_s, UnitOfWork(), datetime.max.replace(tzinfo=UTC)
        self._flush_timer: asyncio.TimerHandle | None = None
        self._flushing: asyncio.Task[None] | None = None
        self._store, self._outbox, self._notifications, self._book = store, outbox, notifications, book
        self._kept = UnitOfWork()
        self._run = secrets.token_hex(4)
        self._given = set[str]()
        self._writing = asyncio.Lock()
        self._failing_since: datetime | None = None
        self._database = SeriesEvaluator(DATABASE, Kind.CONDITION, float("inf"), Rules(), book)

    @property
    def held_back(self) -> int:
        """The number of records that wait in memory because the store cannot be written."""
        kept = self._kept
        return len(kept.events) + len(kept.alerts) + len(kept.deliveries) + self._outbox.holding

    @property
    def must_write(self) -> bool:
        """Return whether a write is needed although nothing new has happened: to end its own alert, at the latest."""
        own = self._book.find(DATABASE, OWN[DATABASE])
        return self.held_back > 0 or (own is not None and own.standing)

    def resume(self, kept: Commit) -> None:
        """Continue with what an earlier run could not write; the next write includes it."""
        self._kept.collect(kept.alerts)
        self._kept.events.extend(kept.events)
        self._kept.deliveries.extend(kept.deliveries)
        self._given.update(each.message.id for each in kept.deliveries)

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
        if not unit.lasting and not self.must_write:
            if self._gather_s > 0:
                self._gather(unit, now)
            else:
                await self._commit(unit, now)
            return
        # One at a time: a message that had to be kept must not be overtaken by the next one of its alert.
        async with self._writing:
            had_kept = self.held_back > 0
            if not await self._commit(self._with_kept(self._with_gathered(unit)), now, with_kept=had_kept):
                return
            if (back := self._back(now)).lasting:
                await self._commit(back, now)
            if had_kept and not self._kept.lasting:
                await self._store.keep_aside(Commit(deliveries=tuple(self._outbox.held)))
                self._given.clear()

    def _gather(self, unit: UnitOfWork, now: datetime) -> None:
        """Keep a unit until others have come; what is lost in a crash is this time's samples at most."""
        self._gathered, self._gathered_at = self._with_gathered(unit), now
        self._flush_timer = self._flush_timer or asyncio.get_running_loop().call_later(self._gather_s, self._flush_soon)

    def _with_gathered(self, unit: UnitOfWork) -> UnitOfWork:
        """The unit appended to what was gathered."""
        gathered, self._gathered = self._gathered, UnitOfWork()
        gathered.precede(unit)
        return unit

    def _flush_soon(self) -> None:
        self._flushing = asyncio.ensure_future(self.flush())

    async def flush(self) -> None:
        """Write what was gathered now."""
        if self._flush_timer is not None:
            self._flush_timer.cancel()
            self._flush_timer = None
        unit = self._with_gathered(UnitOfWork())
        if unit != UnitOfWork():
            await self._commit(unit, self._gathered_at)

    def _with_kept(self, unit: UnitOfWork) -> UnitOfWork:
        """The unit appended to what waits. Units come in their order, so its alerts are the newer ones."""
        kept, self._kept = self._kept, UnitOfWork()
        unit.forecasts = kept.forecasts | unit.forecasts
        unit.alerts = {**kept.alerts, **unit.alerts}
        own = DATABASE, OWN[DATABASE]
        if own in unit.alerts:
            unit.alerts[own] = self._book.get(*own)  # it moves here, while other units wait
        deliveries, lines = self._outbox.take_back()
        unit.events[:0] = [*kept.events, *lines]
        unit.deliveries[:0] = [*kept.deliveries, *deliveries]
        return unit

    async def _commit(self, unit: UnitOfWork, now: datetime, *, with_kept: bool = False) -> bool:
        try:
            await self._store.commit(unit.commit(), with_kept=with_kept)
        except StoreError as error:
            await self._keep(unit, str(error), now)
            return False
        if unit.deliveries:
            self._outbox.poke()
        return True

    async def _keep(self, unit: UnitOfWork, reason: str, now: datetime) -> None:
        """Report that it cannot be written, and keep everything except the samples."""
        if self._failing_since is None:
            log.error("%s", reason, extra=about(Event.DATABASE, key=DATABASE))
            self._failing_since = now
        unit.seen.clear()
        unit.decisions.clear()
        self._evaluate(unit, Condition(DATABASE, ok=False, reason=reason, grave=True), now)
        unit.findings.clear()
        self._kept.alerts.update(unit.alerts)
        self._kept.forecasts.update(unit.forecasts)
        self._kept.events[:0] = unit.events
        self._outbox.hold(await self._set_aside(unit.deliveries))

    async def _set_aside(self, deliveries: Iterable[Delivery]) -> list[Delivery]:
        """Write everything that is kept beside the database, with these deliveries; return them as they may leave."""
        new = list(deliveries)
        alerts, lines = tuple(self._kept.alerts.values()), tuple(self._kept.events)
        kept = Commit(alerts=alerts, events=lines, deliveries=(*self._outbox.held, *new))
        if not await self._store.keep_aside(kept):
            new = [each if each.message.id in self._given else self._of_this_run(each) for each in new]
        self._given.update(each.message.id for each in new)
        return new

    def _of_this_run(self, delivery: Delivery) -> Delivery:
        message = delivery.message
        return replace(delivery, message=replace(message, id=f"{message.id}-{self._run}"))

    def _back(self, now: datetime) -> UnitOfWork:
        """End the alert about the database and record the gap, now that it can be written; empty if it always could."""
        unit, since, self._failing_since = UnitOfWork(), self._failing_since, None
        if self._book.get(DATABASE, OWN[DATABASE]).standing:
            self._evaluate(unit, Condition(DATABASE, ok=True), now)
        if since is not None:
            log.warning("the database can be written again", extra=about(Event.DATABASE, key=DATABASE))
            missing = f"{duration((now - since).total_seconds())}, since {self._notifications.shown(since, now)}"
            text = f"the database can be written again; samples are missing for {missing}"
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
