"""Periodic messages: sent at fixed intervals because time has passed and not because something happened.

These are reminders of alerts that nobody has acknowledged, digests, and the reports of months. All follow from the
content of the store and from the clock: each round checks what has become due since the last one, so that a restart
neither omits one nor sends it twice. Their text and due times are in messages/. Not here: alerts' own transitions
(runtime/pipeline.py).
"""

import logging
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Protocol

from watchkeeper.clock import Clock
from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.manual.runbook import first_step
from watchkeeper.messages.availability import period_name, report
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.messages.digest import digest
from watchkeeper.messages.reminders import Reminder, Reminders, newest_due, remind
from watchkeeper.messages.reports.month import monthly_report, report_message
from watchkeeper.model.history.availability import Period, availability, begin_of
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Kind
from watchkeeper.model.records import Commit, Delivery
from watchkeeper.periodic.happened import read_happened
from watchkeeper.periodic.stand_ins import Due, StandIns
from watchkeeper.web.reports.gather import ReportStore, read_month

log = logging.getLogger(__name__)

EVERY_S = 60.0
"""The interval between rounds: a reminder or a digest is late by no more."""

LABEL = " messages"
"""The label among the scheduled tasks; no probe can have it, because names are stripped."""

SET_BACK = timedelta(days=1)
"""A clock that is behind the last round by more than this was set back: rounds restart from the current time."""


class PeriodicStore(ReportStore, Protocol):
    """The interface that a round needs of the store."""

    async def commit(self, commit: Commit) -> None:
        """Write everything in one transaction."""
        ...


class PeriodicOutbox(Protocol):
    """The interface that a round needs of the outbox."""

    def deliveries_for(self, message: Message, at: datetime) -> tuple[Delivery, ...]:
        """One delivery for each notifier that accepts this message."""
        ...

    def digest_deliveries(self, message: Message, names: Collection[str], at: datetime) -> tuple[Delivery, ...]:
        """One delivery of a digest for each of these notifiers."""
        ...

    def poke(self) -> None:
        """Notify the outbox that new deliveries have been committed."""
        ...


@dataclass(slots=True)
class _Memory:
    """When the last round ran; shared with the rounds of the next configuration, even while one is in progress."""

    made_at: datetime | None = None


class PeriodicMessages:
    """Runs the rounds from one start of the daemon to the next."""

    def __init__(
        self,
        store: PeriodicStore,
        post: PeriodicOutbox,
        clock: Clock,
        plan: Reminders,
        routes: Mapping[str, Route],
        named: tuple[str, tzinfo],
        before: "PeriodicMessages | None" = None,
        stand_ins: StandIns | None = None,
    ) -> None:
        """plan: when reminders are due. routes: by notifier's name. named: the host's name, the operator's time zone.

        before: the previous configuration's periodic messages. stand_ins: whose begins and ends are reported.
        """
        self._store, self._post, self._clock = store, post, clock
        self._plan, self._routes = plan, routes
        self._host, self._zone = named
        self._stand_ins = stand_ins
        self.memory: _Memory = _Memory() if before is None else before.memory

    def begin(self, last_commit_at: datetime | None) -> None:
        """Treat what has become due since the daemon last ran as due now; None: nothing has."""
        self.memory.made_at = last_commit_at or self._clock.now()

    async def make(self) -> None:
        """Run one round. What cannot be written is created again in the next one."""
        now = self._clock.now()
        after = self.memory.made_at or now
        if after - now > SET_BACK:
            after = now
        try:
            stand_ins = await self._stand_ins.due(now) if self._stand_ins is not None else Due()
            deliveries = [
                *await self._reminders(after, now), *await self._digests(after, now), *await self._reports(after, now),
                *(one for name, each in stand_ins.messages for one in self._post.digest_deliveries(each, [name], now)),
            ]  # fmt: skip
            if deliveries or stand_ins.events:
                await self._store.commit(Commit(events=stand_ins.events, deliveries=tuple(deliveries)))
        except StoreError as error:
            log.error("reminders and digests cannot be written yet: %s", error, extra=about(Event.PERIODIC_MESSAGES))  # noqa: TRY400  its text says it all
            return
        self.memory.made_at = max(after, now)
        if deliveries:
            self._post.poke()

    async def _reminders(self, after: datetime, now: datetime) -> list[Delivery]:
        due = [
            (each, found) for each in await self._store.alerts() if (found := newest_due(each, self._plan, after, now))
        ]
        if not due:
            return []
        findings = {(each.key, each.concern): each for each in await self._store.findings()}
        seen = {each.observation.key: each.observation for each in await self._store.latest()}
        deliveries: list[Delivery] = []
        for alert, each in due:
            finding = findings.get((alert.key, alert.concern))
            if finding is not None:
                message = remind(alert, finding, seen.get(alert.key), each, now, self._host, self._zone, first_step)
                deliveries += (
                    made for made in self._post.deliveries_for(message, now) if not self._waits_already(made, each)
                )
        return deliveries

    def _waits_already(self, delivery: Delivery, reminder: Reminder) -> bool:
        """Return whether the previous reminder, or what it reminds of, is already held until the same morning."""
        route = self._routes.get(delivery.notifier)
        if route is None or delivery.due_at <= delivery.made_at:
            return False
        return route.leaves_at(delivery.message, reminder.before_at) == delivery.due_at

    async def _digests(self, after: datetime, now: datetime) -> list[Delivery]:
        last = {
            name: route.digest.last(now, route.zone) for name, route in self._routes.items() if route.digest is not None
        }
        deliveries: list[Delivery] = []
        for due_at in sorted({at for at in last.values() if at > after}):
            names = {name for name, at in last.items() if at == due_at}
            by_content: dict[tuple[datetime, bool], set[str]] = {}
            for name in sorted(names):
                content = self._previous(self._routes[name], after), self._first_of_month(self._routes[name], due_at)
                by_content.setdefault(content, set()).add(name)
            for (since, first), some in by_content.items():
                message = await self._digest(due_at, now, since, first=first)
                deliveries += self._post.digest_deliveries(message, some, now)
        return deliveries

    async def _digest(self, due_at: datetime, now: datetime, since: datetime, *, first: bool) -> Message:
        record = await read_happened(self._store, since, now)
        monthly = await self._monthly(due_at) if first else None
        seen = {each.observation.key: each.observation for each in await self._store.latest()}
        return digest(await self._store.findings(), record, due_at, now, self._host, self._zone, monthly, seen)

    @staticmethod
    def _previous(route: Route, after: datetime) -> datetime:
        """When a receiver's previous digest was due: the last that was sent, also after a time without rounds."""
        return after if route.digest is None else route.digest.last(after, route.zone)

    def _first_of_month(self, route: Route, due_at: datetime) -> bool:
        """Return whether this is a receiver's first digest of a month: that one says what the month before was like.

        A receiver that gets the whole report needs no part of it.
        """
        if route.monthly_report is not None:
            return False
        before = route.digest.last(due_at - timedelta(minutes=1), route.zone) if route.digest else due_at
        months = {(each.year, each.month) for each in (before.astimezone(route.zone), due_at.astimezone(route.zone))}
        return len(months) == 2

    async def _reports(self, after: datetime, now: datetime) -> list[Delivery]:
        last = {
            name: route.monthly_report.last_of_month(now, route.zone)
            for name, route in self._routes.items()
            if route.monthly_report is not None
        }
        deliveries: list[Delivery] = []
        for due_at in sorted({at for at in last.values() if at > after}):
            end = begin_of(Period.MONTH, due_at, self._zone)
            month = await read_month(self._store, _day_before(end), (self._host, self._zone), now)
            message = report_message(monthly_report(month, self._zone), due_at, now, self._host)
            names = {name for name, at in last.items() if at == due_at}
            deliveries += self._post.digest_deliveries(message, names, now)
        return deliveries

    async def _monthly(self, due_at: datetime) -> tuple[str, Sequence[str]] | None:
        """The month before, and the availability of each service in it; None if there is no service."""
        end = begin_of(Period.MONTH, due_at, self._zone)
        begin = begin_of(Period.MONTH, end - timedelta(days=1), self._zone)
        found = {
            each.key.subject: availability(
                await self._store.answers(each, begin, end), max(begin, each.first_at).timestamp(), end.timestamp()
            )
            for each in await self._store.series()
            if each.kind is Kind.ANSWER and each.first_at < end
        }
        return (period_name(Period.MONTH, begin.date()), report(found)) if found else None


def _day_before(begin: datetime) -> date:
    """The day before one that begins then, in the same zone."""
    return begin.date() - timedelta(days=1)
