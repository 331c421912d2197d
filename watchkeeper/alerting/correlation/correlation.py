"""Alerts that belong together: a cause with its consequences, answers lost at the same time, a flood.

Each alert changes state independently (alerting/state_machine.py); this module decides whether it is reported
separately. While a cause is active, its dependents are suppressed, and the cause gets the priority of the most urgent
alert that it suppresses. Answers that are lost within a short time are suppressed by one group alert, and in a flood
one summary suppresses everything. What is still active when the suppressing alert has ended is then reported. Pure:
`now` is an argument.

Not here: the alerts themselves (alerting/alert_book.py), the dependencies (dependencies.py), how the summaries are
worded (group_alerts.py).
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from watchkeeper.alerting import state_machine
from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.correlation.dependencies import Dependencies
from watchkeeper.alerting.correlation.group_alerts import FLOOD, GROUP, LIMITS, OWN, Flood, Group, Limits
from watchkeeper.model.alert import Alert, Concern, Delays, Event, NotificationKind, Priority, State, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Answer, Condition, Level, Observation, SeriesKey
from watchkeeper.model.operator.maintenance import MAINTENANCE

DOUBT_S = 120.0
"""For this long, a thing that is down and has no alert yet may be the cause of another alert. Probes run about once a
minute: a cause that has not been raised within two runs is not the cause."""

CONSEQUENCES = frozenset({Concern.NOT_ANSWERING, Concern.FAULTY, Concern.NOT_REPORTING})
"""Concerns that can be a consequence. A level that fills and a date that comes do so independently of other faults."""

CAUSES = frozenset({Concern.NOT_ANSWERING, Concern.FAULTY, Concern.FULL})

STOPPED = frozenset({"state", "answers", "there", "mounted"})
"""Conditions that mean, when faulty, that their subject does not work. Other conditions mean this only if they are
grave: a pool that lost one of two disks still carries its guests."""

NOT_CAUSES = frozenset({"agent"})
"""Answers without which their subject still works: services in a guest do not need its agent, and one that is gone for
weeks must not suppress them."""


def never(_subject: str, _now: datetime) -> None:
    """No maintenance is planned."""


class Correlation:
    """Moves each alert, taking the other alerts into account."""

    def __init__(
        self,
        book: AlertBook,
        down: Mapping[SeriesKey, datetime],
        dependencies: Dependencies,
        limits: Limits = LIMITS,
        before: "Correlation | None" = None,
        maintained: Callable[[str, datetime], datetime | None] = never,
    ) -> None:
        """down: the things that are down, and since when, see is_down(). limits: when alerts are reported together.

        before: the previous correlation, which had other dependencies and limits. maintained: until when a subject is
        in maintenance; None if it is not.
        """
        self._maintained = maintained
        self._book, self._down, self.dependencies = book, down, dependencies
        self._settle_s = limits.settle_s
        self.group: Group = Group() if before is None else before.group
        self.flood: Flood = Flood(limits, None if before is None else before.flood)

    def restore(self, now: datetime) -> None:
        """Continue with the alerts that the book has restored."""
        standing = (alert for alert in self._book.standing() if alert.key not in (GROUP, FLOOD))
        self.flood.restore((alert.raised_at for alert in standing if alert.raised_at), now)

    def bridge(self, gap: timedelta) -> None:
        """Account for a gap in monitoring, or a clock change, of this length."""
        self.flood.bridge(gap)

    def begin_maintenance(self, now: datetime) -> None:
        """Hold what is active already and now in maintenance: no reminder and no escalation meanwhile."""
        for alert in self._book.standing():
            until = self._maintained(alert.key.subject, now)
            if until is not None and alert.held_by is None:
                self._book.put(state_machine.hold(alert, MAINTENANCE, until))

    def step(self, found: Finding, now: datetime, delays: Delays) -> tuple[Transition, ...]:
        """Move the alert of a finding; notify only if no other alert suppresses it."""
        alert = self._book.get(found.key, found.concern)
        if alert.held_by is not None:
            alert = self._reconsidered(alert, alert.held_by, now)
        wanted = self._lifted(alert, found.priority)
        after, moves = state_machine.step(alert, wanted, now, delays)
        notification = next((m.notification for m in reversed(moves) if m.notification), None)
        if notification is not None and (holder := self._holder(after, notification, now)):
            after, moves = state_machine.step(state_machine.hold(alert, *holder), wanted, now, delays)
        if self._is_reached(found, after, now, delays):
            known = any(move.notification for move in moves) or self._own_cause(after, in_doubt=True) is not None
            after, reached = state_machine.reach(after, now, known=known)
            moves = moves if reached is None else (*moves, reached)
        self._count(after, moves, now)
        self._book.put(after)
        return moves

    @staticmethod
    def _is_reached(found: Finding, alert: Alert, now: datetime, delays: Delays) -> bool:
        """Return whether the level of an active alert is full now, for the first time."""
        if found.concern is not Concern.FULL or found.since is None or alert.reached or not alert.standing:
            return False
        return (now - found.since).total_seconds() >= delays.on_delay_s

    def _count(self, after: Alert, moves: Iterable[Transition], now: datetime) -> None:
        """Count what makes a flood: raises that are reported, or that this flood suppresses."""
        for move in moves:
            if move.notification in (NotificationKind.RAISED, NotificationKind.WORSE) or (
                after.held_by == FLOOD and move.event in (Event.RAISE, Event.WORSEN)
            ):
                self.flood.count(now)

    def settle(self, now: datetime) -> list[tuple[Finding, tuple[Transition, ...]]]:
        """Move the alerts that represent several others, once all others have moved."""
        if self._book.none_held() and self._quiet(GROUP) and self._quiet(FLOOD):
            return []
        group, flood = self._group_alert, self._flood_alert
        members = self._book.held_by(GROUP)
        of_group = self.group.step(group, members, now, gathering=self._gathering(now))
        of_flood = self.flood.step(flood, self._book.held_by(FLOOD), now)
        for _, alert, _ in (of_group, of_flood):
            self._book.put(alert)
        return [(found, moves) for found, _, moves in (of_group, of_flood)]

    def _quiet(self, key: SeriesKey) -> bool:
        alert = self._book.find(key, OWN[key])
        return alert is None or alert.state is State.NORMAL

    def summed_up(self, now: datetime) -> list[Transition]:
        """Mark the alerts that a flood that has just ended reported: the operator knows each of them."""
        if not self.flood.over:
            return []
        self.flood.over = False
        moves = [state_machine.mark_summarized(alert, now) for alert in self._book.held_by(FLOOD)]
        for move in moves:
            self._book.put(move.after)
        return moves

    def sent_before(self, cause: Alert, late_s: float) -> tuple[str, ...]:
        """The subjects of alerts that were sent before their cause was known, each once.

        late_s: how much later than it happened the cause may have been seen.
        """
        down_since = self._down.get(cause.key)
        if down_since is None:
            return ()
        above = set(self.dependencies.dependents_of(cause.key.subject))
        since = down_since - timedelta(seconds=late_s + DOUBT_S)
        sent = (a for a in self._book.standing() if a.held_by is None and a.notified_priority is not None)
        return tuple(
            dict.fromkeys(
                a.key.subject
                for a in sent
                if a.key.subject in above and a.concern in CONSEQUENCES and (a.raised_at or since) >= since
            )
        )

    @property
    def _group_alert(self) -> Alert:
        return self._book.get(GROUP, OWN[GROUP])

    @property
    def _flood_alert(self) -> Alert:
        return self._book.get(FLOOD, OWN[FLOOD])

    def _lifted(self, alert: Alert, wanted: Priority | None) -> Priority | None:
        """Raise the priority of a cause to that of what it suppresses: a receiver of alarms only must get an alarm."""
        if wanted is None or alert.concern not in (Concern.NOT_ANSWERING, Concern.FAULTY):
            return wanted
        return max([wanted, *(a.priority for a in self._book.held_by(alert.key) if a.priority is not None)])

    def _holder(
        self, alert: Alert, notification: NotificationKind, now: datetime
    ) -> tuple[SeriesKey, datetime | None] | None:
        """The alert that suppresses this one, and until when it is waited for; None if there is none."""
        if until := self._maintained(alert.key.subject, now):
            return MAINTENANCE, until
        if notification is not NotificationKind.ENDED and alert.concern in CONSEQUENCES:
            if cause := self._cause(alert, now):
                return cause, None
            if (
                alert.concern is Concern.NOT_ANSWERING
                and notification is NotificationKind.RAISED
                and self._one_of_several(alert, now)
            ):
                return GROUP, now + timedelta(seconds=Group.GATHER_S)
        begins = notification in (NotificationKind.RAISED, NotificationKind.WORSE) and self.flood.begins(now)
        return (FLOOD, None) if self._flood_alert.standing or begins else None

    def _reconsidered(self, alert: Alert, by: SeriesKey, now: datetime) -> Alert:
        """Update the suppression of an alert: whether it continues, and by which alert."""
        if not alert.standing and alert.pending_notification is None:
            return state_machine.release(alert)
        if by == MAINTENANCE:
            until = self._maintained(alert.key.subject, now)
            return state_machine.hold(alert, by, until) if until else state_machine.release(alert)
        if by == FLOOD:
            return alert if self._flood_alert.standing else state_machine.release(alert)
        if by == GROUP:
            return self._reconsidered_member(alert, now)
        if cause := self._cause(alert, now):
            return state_machine.hold(alert, cause)
        settled_at = now + timedelta(seconds=self._settle_s)
        if alert.held_until is None:
            return (
                state_machine.hold(alert, by, settled_at)
                if self._stood_lately(by, now)
                else state_machine.release(alert)
            )
        until = min(alert.held_until, settled_at)  # even if the clock was set meanwhile
        return state_machine.hold(alert, by, until) if now < until else state_machine.release(alert)

    def _reconsidered_member(self, alert: Alert, now: datetime) -> Alert:
        if self._group_alert.standing:
            return replace(alert, held_until=None)
        standing = sum(member.standing for member in self._book.held_by(GROUP))
        return alert if self._gathering(now) or standing >= Group.LEAST else state_machine.release(alert)

    def _cause(self, alert: Alert, now: datetime) -> SeriesKey | None:
        """The lowest dependency that is down and has an alert, or may have one at any moment."""
        raised_at = alert.raised_at or now
        in_doubt = (now - raised_at).total_seconds() < DOUBT_S
        for name in self.dependencies.dependencies_of(alert.key.subject):
            for key in self._down:
                fits = name in self.dependencies.names(key.subject) and (in_doubt or self._stands(key))
                if fits and not self._rests(key, alert.key):
                    return key
        return self._own_cause(alert, in_doubt=in_doubt) if alert.concern is Concern.NOT_REPORTING else None

    def _own_cause(self, alert: Alert, *, in_doubt: bool) -> SeriesKey | None:
        """Another series of the same subject that is down: a file system that is not mounted has no figures."""
        return next(
            (
                key
                for key in self._down
                if key.subject == alert.key.subject and key != alert.key and (in_doubt or self._stands(key))
            ),
            None,
        )

    def _rests(self, key: SeriesKey, on: SeriesKey) -> bool:
        """Return whether `key` is suppressed by `on`, or has its subject: two must not suppress each other."""
        seen = set[SeriesKey]()
        while key not in seen and key.subject != on.subject:
            seen.add(key)
            key = next((a.held_by for a in self._about(key) if a.held_by is not None), key)
        return key.subject == on.subject

    def _about(self, key: SeriesKey) -> Iterator[Alert]:
        return (a for concern in CAUSES if (a := self._book.find(key, concern)) is not None)

    def _stands(self, key: SeriesKey) -> bool:
        return any(alert.standing for alert in self._about(key))

    def _stood_lately(self, key: SeriesKey, now: datetime) -> bool:
        ends = (alert.ended_at for alert in self._about(key))
        lately = any(at is not None and abs((now - at).total_seconds()) <= self._settle_s for at in ends)
        return lately or self._stands(key)

    def _one_of_several(self, alert: Alert, now: datetime) -> bool:
        """Return whether others are being lost at the same time."""
        if self._group_alert.standing:
            return self.group.joins(self._group_alert, now)
        others = any(member.standing and member.key != alert.key for member in self._book.held_by(GROUP))
        # One that has already waited for its cause does not wait again.
        waited = alert.raised_at is not None and (now - alert.raised_at).total_seconds() > Group.GATHER_S
        return others or (not waited and self._lost_with([alert.key]))

    def _gathering(self, now: datetime) -> bool:
        """Return whether the members so far are waiting for others that are failing now."""
        members = [member for member in self._book.held_by(GROUP) if member.standing]
        waiting = any(m.held_until is not None and now < m.held_until for m in members)
        return waiting and self._lost_with(member.key for member in members)

    def _lost_with(self, keys: Iterable[SeriesKey]) -> bool:
        """Return whether an answer began to fail when one of these did, and has not been raised yet.

        The losses are compared, not the alerts: how much later an alert is raised depends on its own rules.
        """
        lost = {key: self._down[key] for key in keys if key in self._down}
        untold = [
            since
            for key, since in self._down.items()
            if key not in lost and self._answers(key) and not self._stands(key)
        ]
        return any(abs((since - at).total_seconds()) <= Group.GATHER_S for since in untold for at in lost.values())

    def _answers(self, key: SeriesKey) -> bool:
        return self._book.find(key, Concern.NOT_ANSWERING) is not None


def is_down(seen: Observation) -> bool:
    """Return whether an observation means that the dependents of the thing cannot work."""
    match seen:
        case Answer():
            return not seen.answered and seen.key.quantity not in NOT_CAUSES
        case Condition():
            return not seen.ok and (seen.grave or seen.key.quantity in STOPPED)
        case Level():
            return seen.used >= seen.capacity and seen.part_of is None and not seen.not_judged
        case _:
            return False
