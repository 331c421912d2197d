"""Alerts that belong together: a cause with its consequences, answers that are lost at once, a flood.

Each alert moves by itself (alert_steps.py); this decides whether it is told on its own. While a cause stands, what
rests on it is held and not told, and the cause is as urgent as the most urgent thing that it holds. Answers that are
lost within a short time are held by one alert about all of them, and in a flood everything is held by one that sums it
up. What a holder leaves behind is told when it has gone. Pure: it holds state, and `now` is an argument.

Not here: what rests on what (ties.py), how the summaries are worded (summaries.py).
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from watchkeeper.core import alert_steps
from watchkeeper.core.alerts import Alert, Concern, Delays, Event, Priority, State, Telling, Transition
from watchkeeper.core.observation import Answer, Condition, Level, Observation, SeriesKey
from watchkeeper.core.rules import Finding
from watchkeeper.core.summaries import FLOOD, GROUP, LIMITS, Flood, Group, Limits
from watchkeeper.core.ties import Ties

AlertKey = tuple[SeriesKey, Concern]

DOUBT_S = 120.0
"""So long a thing that is down, and has no alert yet, may be the cause of another's. Probes look about once a minute:
a cause that has not been raised within two looks is none."""

CONSEQUENCES = frozenset({Concern.SILENT, Concern.UNSOUND, Concern.STALE})
"""What can be a consequence. A level that fills and a date that comes do so whatever else is wrong."""

CAUSES = frozenset({Concern.SILENT, Concern.UNSOUND, Concern.FULL})

STOPPED = frozenset({"state", "answers", "there"})
"""Conditions that mean, when they are unsound, that what they are about does not work; of the others only grave ones
do: a pool that lost one of two disks still carries its guests."""


class Together:
    """Steps the alerts of a whole house with an eye on each other."""

    def __init__(self, ties: Ties, limits: Limits = LIMITS) -> None:
        """ties: what rests on what; it learns of subjects as they are seen. limits: when alerts are told together."""
        self._ties, self._settle_s = ties, limits.settle_s
        self._down: dict[SeriesKey, datetime] = {}
        self._alerts: dict[AlertKey, Alert] = {}
        self._held: dict[AlertKey, Alert] = {}
        self.group, self.flood = Group(), Flood(limits)

    def change(self, rests_on: Mapping[str, Sequence[str]], limits: Limits) -> None:
        """Go by other ties and limits from now on."""
        self._ties.change(rests_on)
        self._settle_s = limits.settle_s
        self.flood.limits = limits

    def restore(self, standing: Iterable[Alert], now: datetime) -> None:
        """Go on from alerts as they were stored."""
        for alert in standing:
            self.note(alert)
        self.flood.restore((a.raised_at for a in self._alerts.values() if a.standing and a.raised_at), now)

    def see(self, seen: Observation, probe: str, at: datetime) -> None:
        """Remember whether a thing is down: whether what rests on it can work."""
        self._ties.place(seen.key.subject, probe)
        if _is_down(seen):
            self._down.setdefault(seen.key, at)
        else:
            self._down.pop(seen.key, None)

    def forget(self, key: SeriesKey) -> None:
        """A thing is gone for good: it is the cause of nothing."""
        self._down.pop(key, None)

    def bridge(self, gap: timedelta, now: datetime) -> None:
        """The watch was away, or the clock was set, by so much."""
        self._down = {key: min(since + gap, now) for key, since in self._down.items()}
        self._alerts = {k: alert_steps.shifted(a, gap) for k, a in self._alerts.items()}
        self._held = {k: self._alerts[k] for k in self._held}
        self.group.alert = alert_steps.shifted(self.group.alert, gap)
        self.flood.bridge(gap)

    def own(self, key: SeriesKey) -> Alert | None:
        """An alert that stands for several others."""
        return {GROUP: self.group.alert, FLOOD: self.flood.alert}.get(key)

    def note(self, alert: Alert) -> None:
        """Remember how an alert stands."""
        if alert.key == GROUP:
            self.group.alert = alert
            return
        if alert.key == FLOOD:
            self.flood.alert = alert
            return
        key = alert.key, alert.concern
        self._alerts[key] = alert
        if alert.held_by is None:
            self._held.pop(key, None)
        else:
            self._held[key] = alert

    def step(
        self, alert: Alert, wanted: Priority | None, now: datetime, delays: Delays
    ) -> tuple[Alert, tuple[Transition, ...]]:
        """Move an alert as alert_steps.step does; tell of it only where no other alert stands for it."""
        if alert.held_by is not None:
            alert = self._reconsidered(alert, alert.held_by, now)
        wanted = self._lifted(alert, wanted)
        after, moves = alert_steps.step(alert, wanted, now, delays)
        telling = next((m.telling for m in reversed(moves) if m.telling), None)
        if telling is not None and (holder := self._holder(after, telling, now)):
            after, moves = alert_steps.step(alert_steps.hold(alert, *holder), wanted, now, delays)
        for move in moves:
            if move.telling in (Telling.RAISED, Telling.WORSE) or (
                after.held_by == FLOOD and move.event in (Event.RAISE, Event.WORSEN)
            ):
                self.flood.count(now)
        self.note(after)
        return after, moves

    def settle(self, now: datetime) -> Iterator[tuple[Finding, Alert, tuple[Transition, ...]]]:
        """Move the alerts that stand for several others, at the end of every turn."""
        if self._held or any(each.alert.state is not State.NORMAL for each in (self.group, self.flood)):
            yield self.group.step(self._holding(GROUP), self._gathering(now), now)
            yield self.flood.step(self._holding(FLOOD), now)

    def summed_up(self, now: datetime) -> Iterator[Transition]:
        """What a flood that ended in this turn told of, alert by alert. The caller moves its own alerts along."""
        if not self.flood.over:
            return
        self.flood.over = False
        for alert in self._holding(FLOOD):
            move = alert_steps.summed_up(alert, now)
            self.note(move.after)
            yield move

    def resting_on(self, subject: str) -> tuple[str, ...]:
        """What is not told on its own while this subject is down."""
        return self._ties.resting_on(subject)

    def _holding(self, by: SeriesKey) -> list[Alert]:
        return [alert for alert in self._held.values() if alert.held_by == by]

    def _lifted(self, alert: Alert, wanted: Priority | None) -> Priority | None:
        """A cause is as urgent as what it holds: a receiver who wants alarms alone must hear of an alarm."""
        if wanted is None or alert.concern not in (Concern.SILENT, Concern.UNSOUND):
            return wanted
        return max([wanted, *(a.priority for a in self._holding(alert.key) if a.priority is not None)])

    def _holder(self, alert: Alert, telling: Telling, now: datetime) -> tuple[SeriesKey, datetime | None] | None:
        """The alert that stands for this one, and until when it is waited for; None where there is none."""
        if telling is not Telling.ENDED and alert.concern in CONSEQUENCES:
            if cause := self._cause(alert, now):
                return cause, None
            if alert.concern is Concern.SILENT and telling is Telling.RAISED and self._one_of_several(alert, now):
                return GROUP, now + timedelta(seconds=Group.GATHER_S)
        begins = telling in (Telling.RAISED, Telling.WORSE) and self.flood.begins(now)
        return (FLOOD, None) if self.flood.alert.standing or begins else None

    def _reconsidered(self, alert: Alert, by: SeriesKey, now: datetime) -> Alert:
        """Is it still held, and by what?"""
        if not alert.standing and alert.owed is None:
            return alert_steps.let_go(alert)
        if by == FLOOD:
            return alert if self.flood.alert.standing else alert_steps.let_go(alert)
        if by == GROUP:
            return self._reconsidered_member(alert, now)
        if cause := self._cause(alert, now):
            return alert_steps.hold(alert, cause)
        settled_at = now + timedelta(seconds=self._settle_s)
        if alert.held_until is None:
            return alert_steps.hold(alert, by, settled_at) if self._stood_lately(by, now) else alert_steps.let_go(alert)
        until = min(alert.held_until, settled_at)  # whatever the clock was set to meanwhile
        return alert_steps.hold(alert, by, until) if now < until else alert_steps.let_go(alert)

    def _reconsidered_member(self, alert: Alert, now: datetime) -> Alert:
        if self.group.alert.standing:
            return replace(alert, held_until=None)
        standing = sum(member.standing for member in self._holding(GROUP))
        return alert if self._gathering(now) or standing >= Group.LEAST else alert_steps.let_go(alert)

    def _cause(self, alert: Alert, now: datetime) -> SeriesKey | None:
        """The thing farthest beneath that is down and told of, or may be told of at any moment."""
        raised_at = alert.raised_at or now
        in_doubt = (now - raised_at).total_seconds() < DOUBT_S
        for name in self._ties.beneath(alert.key.subject):
            for key in self._down:
                fits = name in self._ties.names(key.subject) and (in_doubt or self._stands(key))
                if fits and not self._rests(key, alert.key):
                    return key
        return None

    def _rests(self, key: SeriesKey, on: SeriesKey) -> bool:
        """Is this alert held by the other one, or about the same subject? Two that hold each other are never told."""
        seen = set[SeriesKey]()
        while key not in seen and key.subject != on.subject:
            seen.add(key)
            key = next((a.held_by for a in self._about(key) if a.held_by is not None), key)
        return key.subject == on.subject

    def _about(self, key: SeriesKey) -> Iterator[Alert]:
        return (a for concern in CAUSES if (a := self._alerts.get((key, concern))) is not None)

    def _stands(self, key: SeriesKey) -> bool:
        return any(alert.standing for alert in self._about(key))

    def _stood_lately(self, key: SeriesKey, now: datetime) -> bool:
        ends = (alert.ended_at for alert in self._about(key))
        lately = any(at is not None and abs((now - at).total_seconds()) <= self._settle_s for at in ends)
        return lately or self._stands(key)

    def _one_of_several(self, alert: Alert, now: datetime) -> bool:
        """Are others being lost at the same time?"""
        if self.group.alert.standing:
            return self.group.joins(now)
        others = any(member.standing and member.key != alert.key for member in self._holding(GROUP))
        # One that has waited for its cause already does not wait again.
        waited = alert.raised_at is not None and (now - alert.raised_at).total_seconds() > Group.GATHER_S
        return others or (not waited and self._lost_with([alert.key]))

    def _gathering(self, now: datetime) -> bool:
        """Do those that are held so far wait for others that fail just now?"""
        members = [member for member in self._holding(GROUP) if member.standing]
        waiting = any(m.held_until is not None and now < m.held_until for m in members)
        return waiting and self._lost_with(member.key for member in members)

    def _lost_with(self, keys: Iterable[SeriesKey]) -> bool:
        """Is there an answer that began to fail when one of these did, and is not told yet?

        It is the losses that are close, not the alerts: how much later those are raised is for each one's rules to say.
        """
        lost = {key: self._down[key] for key in keys if key in self._down}
        untold = [
            since
            for key, since in self._down.items()
            if key not in lost and self._answers(key) and not self._stands(key)
        ]
        return any(abs((since - at).total_seconds()) <= Group.GATHER_S for since in untold for at in lost.values())

    def _answers(self, key: SeriesKey) -> bool:
        return (key, Concern.SILENT) in self._alerts


def _is_down(seen: Observation) -> bool:
    match seen:
        case Answer():
            return not seen.answered
        case Condition():
            return not seen.sound and (seen.grave or seen.key.quantity in STOPPED)
        case Level():
            return seen.used >= seen.capacity and seen.part_of is None and not seen.may_be_full
        case _:
            return False
