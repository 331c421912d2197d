"""One unit of work of the pipeline: what it collects before the commit, and how a transition is added to it.

Not here: what moves an alert (pipeline.py), and writing (write_buffer.py).
"""

import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Protocol

from watchkeeper.alerting.alert_book import AlertKey
from watchkeeper.alerting.clock_gaps import Gap
from watchkeeper.logs.fields import NOTICE, Event, about
from watchkeeper.manual.runbook import first_step
from watchkeeper.messages.build import compose, noted
from watchkeeper.messages.changes import began_at
from watchkeeper.messages.deletions import Deletions
from watchkeeper.messages.wording import duration, instant, transition_words
from watchkeeper.model.alert import Alert, Priority, Transition
from watchkeeper.model.change import Change
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.message import Message
from watchkeeper.model.observation import OWN_SUBJECT, Observation, SeriesKey
from watchkeeper.model.operator.decision import Decision, RouteChoice
from watchkeeper.model.records import Commit, Delivery, Entry, EventLine, Seen

log = logging.getLogger(__name__)

REPORTED_GAP_S = 300.0
"""A gap of at least this length is reported; a restart of the service, or a short stall, is only in the event log."""


def nothing_depends(_: str) -> tuple[str, ...]:
    """What depends on a subject of the daemon's own: nothing."""
    return ()


def nothing_changed(_: datetime) -> tuple[Change, ...]:
    """What changed before something of the daemon's own began: it is not looked up."""
    return ()


class OutboxPort(Protocol):
    """The interface that the pipeline needs of the outbox."""

    def deliveries_for(self, message: Message, at: datetime) -> tuple[Delivery, ...]:
        """One delivery for each notifier that accepts this message."""
        ...

    def choices(self, message: Message, at: datetime) -> tuple[RouteChoice, ...]:
        """What each notifier's route decides about this message."""
        ...

    def poke(self) -> None:
        """Notify the outbox that new deliveries have been committed."""
        ...

    @property
    def holding(self) -> int:
        """The number of deliveries held in memory."""
        ...

    @property
    def held(self) -> Sequence[Delivery]:
        """The deliveries held in memory, in their current state."""
        ...

    def hold(self, deliveries: Sequence[Delivery]) -> None:
        """Send deliveries from memory, because the store has no space for them."""
        ...

    def take_back(self) -> tuple[Sequence[Delivery], Sequence[EventLine]]:
        """Return the deliveries that are held and not in progress, in their current state, and their event log lines.

        They are no longer held: the caller commits them, or holds them again.
        """
        ...


@dataclass(slots=True)
class UnitOfWork:
    """Everything that is committed together. Later alerts and findings replace earlier ones."""

    seen: list[Seen] = field(default_factory=list)
    findings: dict[AlertKey, Finding] = field(default_factory=dict)
    alerts: dict[AlertKey, Alert] = field(default_factory=dict)
    events: list[EventLine] = field(default_factory=list)
    deliveries: list[Delivery] = field(default_factory=list)
    forecasts: dict[tuple[SeriesKey, datetime], KeptForecast] = field(default_factory=dict)
    decisions: list[Decision] = field(default_factory=list)

    @property
    def lasting(self) -> bool:
        """Return whether it holds anything that must not be lost."""
        return bool(self.alerts or self.events or self.deliveries)

    def found(self, findings: Iterable[Finding]) -> None:
        """Add findings."""
        for each in findings:
            self.findings[each.key, each.concern] = each

    def forecast(self, kept: Iterable[KeptForecast]) -> None:
        """Add forecasts that are new or decided."""
        self.forecasts.update({(each.key, each.at): each for each in kept})

    def collect(self, alerts: Iterable[Alert]) -> None:
        """Add alerts in their current state."""
        self.alerts.update({(alert.key, alert.concern): alert for alert in alerts})

    def precede(self, later: "UnitOfWork") -> None:
        """Add all of this unit to a later one that is committed with it."""
        later.seen[:0] = self.seen
        later.findings = self.findings | later.findings
        later.alerts = self.alerts | later.alerts
        later.events[:0] = self.events
        later.deliveries[:0] = self.deliveries
        later.forecasts = self.forecasts | later.forecasts
        later.decisions[:0] = self.decisions

    def commit(self) -> Commit:
        """The commit with everything collected."""
        return Commit(
            tuple(self.seen),
            tuple(self.findings.values()),
            tuple(self.alerts.values()),
            tuple(self.events),
            tuple(self.deliveries),
            tuple(self.forecasts.values()),
            tuple(self.decisions),
        )


class Notifications:
    """Adds events to a unit's event log lines and, if there is something to report, to its messages."""

    def __init__(self, outbox: OutboxPort, host: str, zone: tzinfo) -> None:
        """host: its name in messages; zone: the operator's time zone."""
        self._outbox, self._host, self._zone = outbox, host, zone

    def shown(self, at: datetime, now: datetime) -> str:
        """An instant as the operator reads it everywhere."""
        return instant(at, self._zone, now)

    def transition(
        self,
        unit: UnitOfWork,
        move: Transition,
        found: Finding,
        seen: Observation | None = None,
        dependents_of: Callable[[str], tuple[str, ...]] = nothing_depends,
        sent_before: tuple[str, ...] = (),
        changed_before: Callable[[datetime], tuple[Change, ...]] = nothing_changed,
        deletions: Deletions | None = None,
    ) -> None:
        """Add a transition: a line of the event log, and a message if there is something to report.

        dependents_of: the subjects that depend on a subject. sent_before: those of them that were already reported.
        changed_before: what changed on the host before an instant. deletions: the snapshots that hold most of a store.
        """
        after, text = move.after, transition_words(move)
        if move.notification is not None:
            dependents = tuple(each for each in dependents_of(after.key.subject) if not each.startswith(OWN_SUBJECT))
            changed = changed_before(began_at(found, after.raised_at or move.at))
            case = (move, found, seen, self._host, self._zone, first_step, dependents, sent_before)
            message = compose(*case, changed=changed, deletions=deletions)
            text = message.headline
            unit.deliveries.extend(self._outbox.deliveries_for(message, move.at))
            choices = self._outbox.choices(message, move.at)
            unit.decisions.append(Decision(after.key, after.concern, move.at, (), message.id, text, choices))
        details = {"event": move.event.value, "state": after.state.value, "episode": str(after.episode)}
        if after.priority is not None:
            details["priority"] = after.priority.word
        if after.held_by is not None:
            details["held by"] = str(after.held_by)
        unit.events.append(EventLine(move.at, Entry.TRANSITION, text, after.key, after.concern, details))
        _log(move, text)

    def gap(self, unit: UnitOfWork, gap: Gap, entry: Entry, why: str) -> None:
        """Add a gap in monitoring, or a clock change: a line of the event log, and a message if the gap was long."""
        now = gap.until
        if gap.set_by_s:
            unit.events.append(EventLine(now, Entry.NOTE, f"the clock was changed by {gap.set_by_s:+.0f} s"))
        if not gap.away_s:
            return
        away = f"{duration(gap.away_s)} without monitoring, since {self.shown(gap.since, now)}"
        details = {"away since": gap.since.isoformat(), "away for": f"{gap.away_s:.0f} s"}
        unit.events.append(EventLine(now, entry, f"monitoring resumed after {away}", details=details))
        if gap.away_s >= REPORTED_GAP_S:
            since, until = (self.shown(at, now) for at in (gap.since, gap.until))
            message = noted(
                self._host,
                now,
                self._zone,
                f"monitoring was interrupted for {duration(gap.away_s)}, until {until}",
                f"monitoring was interrupted for {duration(gap.away_s)}: from {since} to {until}. {why}",
                "What happened in that time is not known; it does not count as missing answers. Monitoring continues.",
            )
            unit.deliveries.extend(self._outbox.deliveries_for(message, now))


def _log(move: Transition, text: str) -> None:
    """Log a transition: an alarm is logged as a warning, because the daemon itself is working."""
    after = move.after
    rises = after.priority is not None and after.priority > (move.before.priority or 0)
    level = logging.WARNING if rises and after.priority is Priority.ALARM else NOTICE if rises else logging.INFO
    fields = about(
        Event.ALERT,
        key=after.key,
        concern=after.concern,
        priority=after.priority,
        alert=f"{after.key} {after.concern.value} {after.episode}",
        transition=move.event.value,
        state=after.state.value,
        notified=move.notification.value if move.notification else "no",
    )
    log.log(level, "%s", text, extra=fields)
