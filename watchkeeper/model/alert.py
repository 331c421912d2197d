"""The words of an alert: states, events and the table that joins them.

An alert is a state of one concern about one series, not a notification (RFC 8632). What the keeper knows is kept apart
from how things stand: `told` is the priority that they last heard of. While an alert is kept back (shelved, or held
because of another one) it moves as ever and nothing is told; once it no longer is, the difference between `told` and
how things stand is told, and nothing where there is none.

What may live here: the vocabulary and the table. Not here: the steps through it (alerting/state_machine.py), when a
finding has a priority (alerting/rules.py), which alert holds another (alerting/correlation.py), what is said
(messages/wording.py), who is told (notifiers/).

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


CONCERN = {
    Kind.LEVEL: Concern.FULL,
    Kind.DEADLINE: Concern.OVERDUE,
    Kind.ANSWER: Concern.SILENT,
    Kind.CONDITION: Concern.UNSOUND,
}
"""What a kind of observation can raise, besides `stale`."""


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
    ESCALATE = "escalate"  # time passed: a warning that nobody acknowledged becomes an alarm
    LAPSE = "lapse"  # time passed: a rectified alert is let go
    SHELVE = "shelve"  # the keeper sets it aside, for a time or until it next ends
    UNSHELVE = "unshelve"  # the keeper takes that back, or its time is up
    TELL = "tell"  # what was kept back is told


class NotificationKind(StrEnum):
    """What a transition has to tell the keeper."""

    RAISED = "raised"
    WORSE = "worse"
    EASED = "eased"
    ENDED = "ended"
    NOTED = "noted"  # no alert: something that happened and is over
    REMINDED = "reminded"  # no transition: it still stands, and nobody has acknowledged it
    DIGEST = "digest"  # no alert: what is nearest to full and overdue, told at its time


TABLE: dict[tuple[State, Event], tuple[State, NotificationKind | None]] = {
    (State.NORMAL, Event.RAISE): (State.ACTIVE, NotificationKind.RAISED),
    (State.ACTIVE, Event.WORSEN): (State.ACTIVE, NotificationKind.WORSE),
    (State.ACTIVE, Event.EASE): (State.ACTIVE, NotificationKind.EASED),
    (State.ACTIVE, Event.ESCALATE): (State.ACTIVE, NotificationKind.WORSE),
    (State.ACTIVE, Event.ACKNOWLEDGE): (State.ACKNOWLEDGED, None),
    (State.ACTIVE, Event.CLEAR): (State.RECTIFIED, NotificationKind.ENDED),
    # Worse than what was acknowledged is news: it wants its own acknowledgement.
    (State.ACKNOWLEDGED, Event.WORSEN): (State.ACTIVE, NotificationKind.WORSE),
    (State.ACKNOWLEDGED, Event.EASE): (State.ACKNOWLEDGED, NotificationKind.EASED),
    (State.ACKNOWLEDGED, Event.CLEAR): (State.NORMAL, NotificationKind.ENDED),
    (State.RECTIFIED, Event.ACKNOWLEDGE): (State.NORMAL, None),
    (State.RECTIFIED, Event.RAISE): (State.ACTIVE, NotificationKind.RAISED),
    (State.RECTIFIED, Event.LAPSE): (State.NORMAL, None),
    # Shelving lies across the states: it holds back what is told, and changes nothing else. What is told late depends
    # on what the keeper knew before: see `owed`.
    **{(state, event): (state, None) for event in (Event.SHELVE, Event.UNSHELVE, Event.TELL) for state in State},
}
"""(state, event) -> (next state, what is told). A missing pair does not happen. manual/alert-states.md shows it."""

STANDING = frozenset({State.ACTIVE, State.ACKNOWLEDGED})
"""The states in which the cause is there."""

LAPSE_AFTER = timedelta(days=7)
"""A rectified alert that nobody acknowledges is let go after this; the journal keeps it."""

LONGEST_SHELVED = timedelta(days=30)
"""Nothing is shelved for longer, not even until it next ends: as far as a caution looks ahead, so that what was set
aside comes back before it has been forgotten. (IEC 62682 asks for such a bound and leaves its length to the owner.)"""


@dataclass(frozen=True, slots=True)
class Delays:
    """How long things must last before they count.

    on_delay_s upward, off_delay_s downward (ISA-18.2). escalate_s: how long a warning may stand without being
    acknowledged before it becomes an alarm (MSC.302(87) 6.2.2); None: it does not. chattering: when coming and going
    is that.
    """

    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    escalate_s: float | None = None
    chattering: Chattering = field(default=Chattering(raises=None))


@dataclass(frozen=True, slots=True)
class Alert:
    """One concern about one series.

    priority: what the alert stands at; None unless its state is in STANDING.
    episode: counts the raises that the keeper heard of, or would have: 1 for the first; part of its messages' ids. What
        is raised again before the keeper was told of its end goes on in its episode.
    tellings: how many messages this episode has had so far.
    told: what the keeper was last told that it stands at; None: that all is well.
    pending: a priority (None: none) that findings ask for and whose delay runs since `pending_since`.
    shelved_until: set aside by the keeper until then; nothing is told meanwhile. shelved_once: and until it next ends.
    held_by: the series of the alert because of which nothing is told of this one: its cause, or a summary of several.
    held_until: it is held no longer than this; None: as long as that alert stands.
    unknown_since: since when it has waited for an acknowledgement; None where it does not.
    escalated: it is an alarm because nobody acknowledged the warning, not because of what was found.
    falls: when it lately ended or eased. comings: how often it has come while it chatters; 0: it does not.
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
    told: Priority | None = None
    shelved_once: bool = False
    held_by: SeriesKey | None = None
    held_until: datetime | None = None
    unknown_since: datetime | None = None
    escalated: bool = False
    falls: Instants = ()
    comings: int = 0

    @property
    def standing(self) -> bool:
        """True while the cause is there."""
        return self.state in STANDING

    @property
    def at_rest(self) -> bool:
        """True where it is normal and nothing about it waits: a finding that asks for nothing changes nothing."""
        return (
            self.state is State.NORMAL
            and self.told is None
            and self.pending_since is None
            and self.held_by is None
            and self.shelved_until is None
        )

    @property
    def chattering(self) -> bool:
        """True while it stands and comes and goes."""
        return self.comings > 0 and self.standing

    def shelved(self, now: datetime) -> bool:
        """True while the keeper has set this alert aside."""
        return self.shelved_until is not None and now < self.shelved_until

    def kept_back(self, now: datetime) -> bool:
        """True while nothing is told of it."""
        return self.held_by is not None or self.shelved(now)

    @property
    def owed(self) -> NotificationKind | None:
        """What the keeper does not know yet; None where they know how it stands."""
        if self.told == self.priority:
            return None
        if self.told is None:
            return NotificationKind.RAISED
        if self.priority is None:
            return NotificationKind.ENDED
        return NotificationKind.WORSE if self.priority > self.told else NotificationKind.EASED


@dataclass(frozen=True, slots=True)
class Transition:
    """One move through the table. telling: what the keeper is told; None for nothing."""

    before: Alert
    after: Alert
    event: Event
    telling: NotificationKind | None
    at: datetime


def is_notifiable(before: Priority | None, after: Priority | None, threshold: Priority) -> bool:
    """Is a change of priority news to somebody who wants to hear of `threshold` and above?

    RFC 8632, notify-status-changes with a severity level: a change is told if it starts or ends at or above it.
    """
    return before != after and max(before or 0, after or 0) >= threshold
