"""The life of an alert: states, events and the table that joins them.

An alert is a state of one concern about one series, not a notification (RFC 8632). Two kinds of thing move it: what a
finding says (`step`) and what the keeper does (`acknowledge`, `shelve`, `unshelve`). The passing of time alone moves
it too: a delay runs out, a shelving ends, a rectified alert lapses; that happens in `step` as well, which is why the
daemon calls it on a timer. What may live here: the table and the pure steps through it. Not here: when a finding has
a priority (rules.py), what is said (wording.py), who is told (notifiers/).

Priorities and the rectified state: IMO Resolution MSC.302(87), bridge alert management. On-delay, off-delay and
shelving: ISA-18.2 / IEC 62682.
"""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import IntEnum, StrEnum

from watchkeeper.core.observation import SeriesKey


class Priority(IntEnum):
    """How urgent an alert is; a higher number is more urgent. IMO Resolution MSC.302(87)."""

    CAUTION = 1  # awareness beyond the ordinary
    WARNING = 2  # precaution now, or it becomes an alarm
    ALARM = 3  # act at once

    @property
    def word(self) -> str:
        """The word that people read: `caution`, `warning` or `alarm`."""
        return self.name.lower()


class Concern(StrEnum):
    """What an alert is about. One series can raise the concern of its kind, and `stale`."""

    FULL = "full"  # a level will be full
    OVERDUE = "overdue"  # a deadline has passed, or will
    SILENT = "silent"  # no answer
    UNSOUND = "unsound"  # a condition is not sound
    STALE = "stale"  # the probe itself has brought no sample


class State(StrEnum):
    """Where an alert stands."""

    NORMAL = "normal"
    ACTIVE = "active"  # the cause is there and nobody has said that they know
    ACKNOWLEDGED = "acknowledged"  # the cause is there and the keeper knows
    RECTIFIED = "rectified"  # the cause went away before anyone acknowledged it


class Event(StrEnum):
    """What moves an alert from one state to another."""

    RAISE = "raise"
    WORSEN = "worsen"
    EASE = "ease"
    CLEAR = "clear"
    ACKNOWLEDGE = "acknowledge"
    LAPSE = "lapse"  # time passed: a rectified alert is let go


class Telling(StrEnum):
    """What a transition has to tell the keeper."""

    RAISED = "raised"
    WORSE = "worse"
    EASED = "eased"
    ENDED = "ended"


TABLE: dict[tuple[State, Event], tuple[State, Telling | None]] = {
    (State.NORMAL, Event.RAISE): (State.ACTIVE, Telling.RAISED),
    (State.ACTIVE, Event.WORSEN): (State.ACTIVE, Telling.WORSE),
    (State.ACTIVE, Event.EASE): (State.ACTIVE, Telling.EASED),
    (State.ACTIVE, Event.ACKNOWLEDGE): (State.ACKNOWLEDGED, None),
    (State.ACTIVE, Event.CLEAR): (State.RECTIFIED, Telling.ENDED),
    # Worse than what was acknowledged is news: it wants its own acknowledgement.
    (State.ACKNOWLEDGED, Event.WORSEN): (State.ACTIVE, Telling.WORSE),
    (State.ACKNOWLEDGED, Event.EASE): (State.ACKNOWLEDGED, Telling.EASED),
    (State.ACKNOWLEDGED, Event.CLEAR): (State.NORMAL, Telling.ENDED),
    (State.RECTIFIED, Event.ACKNOWLEDGE): (State.NORMAL, None),
    (State.RECTIFIED, Event.RAISE): (State.ACTIVE, Telling.RAISED),
    (State.RECTIFIED, Event.LAPSE): (State.NORMAL, None),
}
"""(state, event) -> (next state, what is told). A pair that is missing does not happen. DEVELOPERS.md shows it."""

STANDING = frozenset({State.ACTIVE, State.ACKNOWLEDGED})
"""The states in which the cause is there."""

LAPSE_AFTER = timedelta(days=7)
"""A rectified alert that nobody acknowledges is let go after this; the journal keeps it."""


@dataclass(frozen=True, slots=True)
class Delays:
    """How long a change must last before it counts: on_delay_s upward, off_delay_s downward (ISA-18.2)."""

    on_delay_s: float = 0.0
    off_delay_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Alert:
    """One concern about one series.

    priority: what the alert stands at; None unless its state is in STANDING.
    episode: counts the raises of this alert: 1 for the first; part of its messages' ids.
    tellings: how many messages this episode has had so far.
    pending: a priority (None: none) that findings ask for and whose delay runs since `pending_since`.
    shelved_until: set aside by the keeper until then; nothing is told meanwhile.
    """

    key: SeriesKey
    concern: Concern
    state: State = State.NORMAL
    priority: Priority | None = None
    episode: int = 0
    tellings: int = 0
    raised_at: datetime | None = None
    changed_at: datetime | None = None
    acknowledged_at: datetime | None = None
    ended_at: datetime | None = None
    pending: Priority | None = None
    pending_since: datetime | None = None
    shelved_until: datetime | None = None

    @property
    def standing(self) -> bool:
        """True while the cause is there."""
        return self.state in STANDING

    def shelved(self, now: datetime) -> bool:
        """True while the keeper has set this alert aside."""
        return self.shelved_until is not None and now < self.shelved_until


@dataclass(frozen=True, slots=True)
class Transition:
    """One move through the table. telling: what the keeper is told; None for nothing."""

    before: Alert
    after: Alert
    event: Event
    telling: Telling | None
    at: datetime


def worth_telling(before: Priority | None, after: Priority | None, threshold: Priority) -> bool:
    """Is a change of priority news to somebody who wants to hear of `threshold` and above?

    RFC 8632, notify-status-changes with a severity level: a change is told if it starts or ends at or above it.
    """
    return before != after and max(before or 0, after or 0) >= threshold


def step(alert: Alert, wanted: Priority | None, now: datetime, delays: Delays) -> tuple[Alert, tuple[Transition, ...]]:
    """Move an alert to what its finding asks for, as far as the delays allow; return it and the moves made."""
    if alert.shelved_until is not None and now >= alert.shelved_until:
        alert = replace(alert, shelved_until=None)
    if wanted == alert.priority:
        settled = replace(alert, pending=None, pending_since=None)
        return _lapse(settled, now)
    rising = (wanted or 0) > (alert.priority or 0)
    asked, since = _pend(alert, wanted, now, rising=rising)
    delay_s = delays.on_delay_s if rising else delays.off_delay_s
    # A clock that was set back must not hold an alert up: an elapsed time below zero starts the delay anew.
    since = min(since, now)
    if (now - since).total_seconds() < delay_s:
        return replace(alert, pending=asked, pending_since=since), ()
    moved = _move(replace(alert, pending=None, pending_since=None), _event(alert, asked), asked, now)
    return moved.after, (moved,)


def _pend(alert: Alert, wanted: Priority | None, now: datetime, *, rising: bool) -> tuple[Priority | None, datetime]:
    """What has been asked for all through the delay: the least of a rise, the most of a fall."""
    if alert.pending_since is None or ((alert.pending or 0) > (alert.priority or 0)) != rising:
        return wanted, now
    keep = min if rising else max
    return keep(alert.pending, wanted, key=lambda p: p or 0), alert.pending_since


def _event(alert: Alert, wanted: Priority | None) -> Event:
    if alert.priority is None:
        return Event.RAISE
    if wanted is None:
        return Event.CLEAR
    return Event.WORSEN if wanted > alert.priority else Event.EASE


def _lapse(alert: Alert, now: datetime) -> tuple[Alert, tuple[Transition, ...]]:
    if alert.state is not State.RECTIFIED or alert.ended_at is None or now - alert.ended_at < LAPSE_AFTER:
        return alert, ()
    moved = _move(alert, Event.LAPSE, None, now)
    return moved.after, (moved,)


def _move(alert: Alert, event: Event, priority: Priority | None, now: datetime) -> Transition:
    state, telling = TABLE[alert.state, event]
    after = replace(alert, state=state, priority=priority, changed_at=now)
    if event is Event.RAISE:
        after = replace(
            after, episode=alert.episode + 1, tellings=0, raised_at=now, acknowledged_at=None, ended_at=None
        )
    elif event is Event.CLEAR:
        after = replace(after, ended_at=now)
    elif event is Event.ACKNOWLEDGE:
        after = replace(after, acknowledged_at=now)
    if alert.shelved(now):
        telling = None
    if telling is not None:
        after = replace(after, tellings=after.tellings + 1)
    return Transition(alert, after, event, telling, now)


def acknowledge(alert: Alert, now: datetime) -> Transition | None:
    """The keeper says that they know. None where there is nothing to acknowledge."""
    if (alert.state, Event.ACKNOWLEDGE) not in TABLE:
        return None
    return _move(alert, Event.ACKNOWLEDGE, alert.priority, now)


def shelve(alert: Alert, until: datetime) -> Alert:
    """Set an alert aside until an instant; nothing is shelved for ever, so there is no other form."""
    return replace(alert, shelved_until=until)


def unshelve(alert: Alert) -> Alert:
    """Take a shelving back before its time."""
    return replace(alert, shelved_until=None)
