"""The vocabulary of an alert: states, events and the state table.

An alert is a state of one concern about one series, not a notification (RFC 8632). What the operator knows is kept
separate from the current state: `notified_priority` is the priority in the last notification. While an alert is kept
back (shelved, or suppressed because of another one) it changes state as usual and sends nothing. When that ends, one
notification reports the difference between `notified_priority` and the current state, if there is one.

What may live here: the vocabulary and the table. Not here: the steps through it (alerting/state_machine.py), when a
finding has a priority (alerting/rules.py), which alert suppresses another (alerting/correlation/), the text of messages
(messages/wording.py), who is notified (notifiers/).

Priorities, the rectified state, and the warning that becomes an alarm: IMO Resolution MSC.302(87), bridge alert
management. On-delay, off-delay, chattering and shelving: ISA-18.2 / IEC 62682.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import IntEnum, StrEnum

from watchkeeper.model.chattering import Chattering, Instants
from watchkeeper.model.observation import Kind, SeriesKey


class Priority(IntEnum):
    """How urgent an alert is; a higher number is more urgent. IMO Resolution MSC.302(87)."""

    CAUTION = 1  # requires attention, more than routine
    WARNING = 2  # take precautions now, or it becomes an alarm
    ALARM = 3  # act at once

    @property
    def word(self) -> str:
        """The displayed word: `caution`, `warning` or `alarm`."""
        return self.name.lower()


class Concern(StrEnum):
    """What an alert is about. One series can raise the concern of its kind, and `not_reporting`."""

    FULL = "full"  # a level will be full
    OVERDUE = "overdue"  # a deadline has passed, or will
    NOT_ANSWERING = "not_answering"
    FAULTY = "faulty"  # a condition
    NOT_REPORTING = "not_reporting"  # the probe itself has delivered no sample

    @property
    def words(self) -> str:
        """The displayed words: `full`, `overdue`, `not answering`, `faulty` or `not reporting`."""
        return self.value.replace("_", " ")

    @property
    def first_name(self) -> str:
        """Its value in version 0.1.0. It is part of what must not change: ids of threads, and sent links."""
        return FIRST_NAMES.get(self, self.value)

    @classmethod
    def named(cls, name: str) -> "Concern":
        """The concern with this value, now or in version 0.1.0. Raises ValueError if there is none."""
        return next((each for each in cls if each.first_name == name), None) or cls(name)


FIRST_NAMES = {Concern.NOT_ANSWERING: "silent", Concern.FAULTY: "unsound", Concern.NOT_REPORTING: "stale"}
"""The values that had another name in version 0.1.0."""

CONCERN = {
    Kind.LEVEL: Concern.FULL,
    Kind.DEADLINE: Concern.OVERDUE,
    Kind.ANSWER: Concern.NOT_ANSWERING,
    Kind.CONDITION: Concern.FAULTY,
}
"""The concern that each kind of observation can raise, besides `not_reporting`."""


class State(StrEnum):
    """The state of an alert."""

    NORMAL = "normal"
    ACTIVE = "active"  # the cause is present and nobody has acknowledged it
    ACKNOWLEDGED = "acknowledged"  # the cause is present and the operator knows
    RECTIFIED = "rectified"  # the cause went away before anyone acknowledged it


class Event(StrEnum):
    """An event that moves an alert from one state to another."""

    RAISE = "raise"
    WORSEN = "worsen"
    EASE = "ease"
    CLEAR = "clear"
    ACKNOWLEDGE = "acknowledge"
    ESCALATE = "escalate"  # time passed: a warning that nobody acknowledged becomes an alarm
    LAPSE = "lapse"  # time passed: a rectified alert is dropped
    SHELVE = "shelve"  # the operator shelves it, for a time or until it next ends
    UNSHELVE = "unshelve"  # the operator undoes that, or its time is up
    NOTIFY = "notify"  # a notification that was kept back is sent


class NotificationKind(StrEnum):
    """What a notification about a transition reports."""

    RAISED = "raised"
    WORSE = "worse"
    EASED = "eased"
    ENDED = "ended"
    NOTED = "noted"  # no alert: something that happened and is over
    REMINDED = "reminded"  # no transition: it is still active, and nobody has acknowledged it
    DIGEST = "digest"  # no alert: what is nearest to full and overdue, sent at a set time


TABLE: dict[tuple[State, Event], tuple[State, NotificationKind | None]] = {
    (State.NORMAL, Event.RAISE): (State.ACTIVE, NotificationKind.RAISED),
    (State.ACTIVE, Event.WORSEN): (State.ACTIVE, NotificationKind.WORSE),
    (State.ACTIVE, Event.EASE): (State.ACTIVE, NotificationKind.EASED),
    (State.ACTIVE, Event.ESCALATE): (State.ACTIVE, NotificationKind.WORSE),
    (State.ACTIVE, Event.ACKNOWLEDGE): (State.ACKNOWLEDGED, None),
    (State.ACTIVE, Event.CLEAR): (State.RECTIFIED, NotificationKind.ENDED),
    # Worse than what was acknowledged is new information: it needs its own acknowledgement.
    (State.ACKNOWLEDGED, Event.WORSEN): (State.ACTIVE, NotificationKind.WORSE),
    (State.ACKNOWLEDGED, Event.EASE): (State.ACKNOWLEDGED, NotificationKind.EASED),
    (State.ACKNOWLEDGED, Event.CLEAR): (State.NORMAL, NotificationKind.ENDED),
    (State.RECTIFIED, Event.ACKNOWLEDGE): (State.NORMAL, None),
    (State.RECTIFIED, Event.RAISE): (State.ACTIVE, NotificationKind.RAISED),
    (State.RECTIFIED, Event.LAPSE): (State.NORMAL, None),
    # Shelving is independent of the state: it keeps notifications back and changes nothing else. What is sent later
    # depends on what the operator knew before: see `pending_notification`.
    **{(state, event): (state, None) for event in (Event.SHELVE, Event.UNSHELVE, Event.NOTIFY) for state in State},
}
"""(state, event) -> (next state, notification). A missing pair does not occur. manual/alert-states.md shows it."""

STANDING = frozenset({State.ACTIVE, State.ACKNOWLEDGED})
"""The states in which the cause is present."""

OPEN = frozenset({State.ACTIVE, State.RECTIFIED})
"""The states in which an alert can be acknowledged."""

LAPSE_AFTER = timedelta(days=7)
"""A rectified alert that nobody acknowledges is dropped after this; the event log keeps it."""

LONGEST_SHELVED = timedelta(days=30)
"""The maximum time that anything is shelved, also for "until it next ends". It equals how far ahead a caution looks, so
that a shelved alert comes back before it is forgotten. (IEC 62682 asks for such a limit; the owner sets its length.)"""


@dataclass(frozen=True, slots=True)
class Delays:
    """How long a finding must last before it counts.

    on_delay_s applies upward, off_delay_s downward (ISA-18.2). escalate_s: how long a warning may be active without an
    acknowledgement before it becomes an alarm (MSC.302(87) 6.2.2); None: never. chattering: when repeated raising and
    clearing counts as chattering.
    """

    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    escalate_s: float | None = None
    chattering: Chattering = field(default=Chattering(raises=None))


@dataclass(frozen=True, slots=True)
class Alert:
    """One concern about one series.

    priority: the current priority; None unless its state is in STANDING.
    episode: counts the raises that the operator was notified of, or would have been: 1 for the first; part of its
        messages' ids. A raise before the operator was notified of the previous end continues the same episode.
    message_count: how many messages this episode has had so far.
    notified_priority: the priority in the last notification; None: the operator believes that all is well.
    pending: a priority (None: none) that findings ask for and whose delay has been running since `pending_since`.
    shelved_until: shelved by the operator until then; nothing is sent meanwhile. shelved_once: or until it next ends.
    held_by: the series of the alert that suppresses notifications of this one: its cause, or a summary of several.
    held_until: it is suppressed no longer than this; None: as long as that alert is active.
    unacknowledged_since: since when it has been waiting for an acknowledgement; None if it is not.
    escalated: it is an alarm because nobody acknowledged the warning, not because of what was found.
    recent_ends: when it recently ended or eased.
    raise_count: how often it has been raised while chattering; 0: not chattering.
    reached: what it warns of has happened (the level is full), and the operator knows or will know.
    """

    key: SeriesKey
    concern: Concern
    state: State = State.NORMAL
    priority: Priority | None = None
    episode: int = 0
    message_count: int = 0
    raised_at: datetime | None = None
    changed_at: datetime | None = None
    acknowledged_at: datetime | None = None
    ended_at: datetime | None = None
    pending: Priority | None = None
    pending_since: datetime | None = None
    shelved_until: datetime | None = None
    notified_priority: Priority | None = None
    shelved_once: bool = False
    held_by: SeriesKey | None = None
    held_until: datetime | None = None
    unacknowledged_since: datetime | None = None
    escalated: bool = False
    recent_ends: Instants = ()
    raise_count: int = 0
    reached: bool = False

    @property
    def standing(self) -> bool:
        """True while the cause is present."""
        return self.state in STANDING

    @property
    def at_rest(self) -> bool:
        """True if it is normal and nothing about it is pending: a finding without a priority changes nothing."""
        return (
            self.state is State.NORMAL
            and self.notified_priority is None
            and self.pending_since is None
            and self.held_by is None
            and self.shelved_until is None
        )

    @property
    def chattering(self) -> bool:
        """True while it is active and chattering."""
        return self.raise_count > 0 and self.standing

    def shelved(self, now: datetime) -> bool:
        """True while the operator has shelved this alert."""
        return self.shelved_until is not None and now < self.shelved_until

    def kept_back(self, now: datetime) -> bool:
        """True while no notification of it is sent."""
        return self.held_by is not None or self.shelved(now)

    @property
    def pending_notification(self) -> NotificationKind | None:
        """The notification still to be sent; None if the operator knows the current state."""
        if self.notified_priority == self.priority:
            return None
        if self.notified_priority is None:
            return NotificationKind.RAISED
        if self.priority is None:
            return NotificationKind.ENDED
        return NotificationKind.WORSE if self.priority > self.notified_priority else NotificationKind.EASED


@dataclass(frozen=True, slots=True)
class Transition:
    """One move through the table. notification: what it causes to be sent; None for nothing."""

    before: Alert
    after: Alert
    event: Event
    notification: NotificationKind | None
    at: datetime

    @property
    def reaches(self) -> bool:
        """True if what was warned of has happened, at the same priority."""
        return self.after.reached and not self.before.reached and self.before.priority == self.after.priority


def is_notifiable(
    before: Priority | None, after: Priority | None, lowest: Priority, highest: Priority = Priority.ALARM
) -> bool:
    """Return whether a change of priority concerns someone who wants to know about these priorities.

    RFC 8632, notify-status-changes with a severity level: a change is sent if it starts or ends at or above that level;
    here: within the range.
    """
    return before != after and any(lowest <= each <= highest for each in (before, after) if each is not None)
