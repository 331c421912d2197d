"""The steps of an alert through its table, all pure.

Two kinds of event move an alert: a finding (`step`) and an action of the operator (`acknowledge`, `shelve`,
`unshelve`). Time alone moves it too: a delay ends, a shelving ends, a warning that nobody acknowledged becomes an
alarm, a rectified alert lapses. That happens in `step` as well, which is why the daemon calls it on a timer. Not here:
the vocabulary and the table themselves (model/alert.py).
"""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from watchkeeper.model.alert import (
    LAPSE_AFTER,
    LONGEST_SHELVED,
    TABLE,
    Alert,
    Delays,
    Event,
    Priority,
    State,
    Transition,
)
from watchkeeper.model.observation import SeriesKey


def step(alert: Alert, wanted: Priority | None, now: datetime, delays: Delays) -> tuple[Alert, tuple[Transition, ...]]:
    """Move an alert to the priority of its finding, as far as the delays allow; return it and the moves made."""
    made: list[Transition] = []
    alert, move = _follow(alert, wanted, now, delays)
    for stage in (_end_shelving, _escalate, _tell_late, _lapse):
        made += filter(None, [move])
        alert, move = stage(alert, now, delays)
    made += filter(None, [move])
    return alert, tuple(made)


Stage = tuple[Alert, Transition | None]


def _follow(alert: Alert, wanted: Priority | None, now: datetime, delays: Delays) -> Stage:
    """Apply the priority of findings, once it has lasted."""
    if alert.escalated and wanted is Priority.WARNING:
        wanted = Priority.ALARM  # easing to the earlier priority would undo the escalation at once
    elif wanted is Priority.ALARM:
        alert = replace(alert, escalated=False)  # the facts now require it themselves
    if wanted == alert.priority:
        return replace(_steady(alert, now, delays), pending=None, pending_since=None), None
    rising = (wanted or 0) > (alert.priority or 0)
    if rising:
        alert = _come_back(alert, now)
    asked, since = _pend(alert, wanted, now, rising=rising)
    # A clock that was set back must not block an alert: an elapsed time below zero restarts the delay.
    since = min(since, now)
    if (now - since).total_seconds() < _delay_s(alert, delays, rising=rising):
        return replace(alert, pending=asked, pending_since=since), None
    settled = replace(alert, pending=None, pending_since=None)
    move = _move(settled, _event(alert, asked), asked, now, delays)
    return move.after, move


def _delay_s(alert: Alert, delays: Delays, *, rising: bool) -> float:
    if rising:
        return delays.on_delay_s
    return max(delays.off_delay_s, delays.chattering.calm_s) if alert.chattering else delays.off_delay_s


def pending_until(alert: Alert, delays: Delays) -> datetime | None:
    """When the delay that is running now ends; None if none is running."""
    if alert.pending_since is None:
        return None
    return alert.pending_since + timedelta(seconds=_delay_s(alert, delays, rising=not _falling(alert)))


def _pend(alert: Alert, wanted: Priority | None, now: datetime, *, rising: bool) -> tuple[Priority | None, datetime]:
    """What has been required throughout the delay: the minimum of a rise, the maximum of a fall."""
    if alert.pending_since is None or _falling(alert) == rising:
        return wanted, now
    keep = min if rising else max
    return keep(alert.pending, wanted, key=lambda p: p or 0), alert.pending_since


def _falling(alert: Alert) -> bool:
    """Return whether an end or an easing is waiting for its delay."""
    return alert.pending_since is not None and (alert.pending or 0) < (alert.priority or 0)


def _come_back(alert: Alert, now: datetime) -> Alert:
    """While it chatters: count that it was away and is back, without a move in the table."""
    if not (alert.chattering and _falling(alert)):
        return alert
    return replace(alert, raise_count=alert.raise_count + 1, recent_ends=(now,))


def _steady(alert: Alert, now: datetime, delays: Delays) -> Alert:
    """The priority is unchanged: end the chattering if it has been calm for long enough."""
    alert = _come_back(alert, now)
    if alert.chattering and (not alert.recent_ends or delays.chattering.calm(alert.recent_ends[-1], now)):
        return replace(alert, raise_count=0, recent_ends=())
    return alert


def _event(alert: Alert, wanted: Priority | None) -> Event:
    if alert.priority is None:
        return Event.RAISE
    if wanted is None:
        return Event.CLEAR
    return Event.WORSEN if wanted > alert.priority else Event.EASE


def _end_shelving(alert: Alert, now: datetime, delays: Delays) -> Stage:
    """End a shelving when its time is up, even if the clock was set meanwhile."""
    if alert.shelved_until is None:
        return alert, None
    if alert.shelved(now):
        return replace(alert, shelved_until=min(alert.shelved_until, now + LONGEST_SHELVED)), None
    move = _move(alert, Event.UNSHELVE, alert.priority, now, delays)
    return move.after, move


def _escalate(alert: Alert, now: datetime, delays: Delays) -> Stage:
    """MSC.302(87) 6.2.2: an unacknowledged warning becomes an alarm. One that was not sent does not."""
    waiting = alert.state is State.ACTIVE and alert.priority is Priority.WARNING and not alert.kept_back(now)
    if not waiting or delays.escalate_s is None or alert.unacknowledged_since is None:
        return alert, None
    if (now - alert.unacknowledged_since).total_seconds() < delays.escalate_s:
        return alert, None
    move = _move(alert, Event.ESCALATE, Priority.ALARM, now, delays)
    return move.after, move


def _tell_late(alert: Alert, now: datetime, delays: Delays) -> Stage:
    """Send what was kept back, once it no longer is, if the operator does not know it by then."""
    if alert.pending_notification is None or alert.kept_back(now):
        return alert, None
    move = _move(alert, Event.NOTIFY, alert.priority, now, delays)
    return move.after, move


def _lapse(alert: Alert, now: datetime, delays: Delays) -> Stage:
    """Nothing stays rectified permanently; what the operator was never notified of needs no acknowledgement."""
    if alert.state is not State.RECTIFIED or alert.ended_at is None:
        return alert, None
    if alert.message_count and now - alert.ended_at < LAPSE_AFTER:
        return alert, None
    move = _move(alert, Event.LAPSE, None, now, delays)
    return move.after, move


def _move(alert: Alert, event: Event, priority: Priority | None, now: datetime, delays: Delays) -> Transition:
    state, _ = TABLE[alert.state, event]
    after = replace(alert, state=state, priority=priority, changed_at=now, **_marks(alert, event, now, delays))
    notification = None if alert.kept_back(now) or event is Event.UNSHELVE else after.pending_notification
    if notification is not None:
        after = replace(after, message_count=after.message_count + 1, notified_priority=priority)
    if state is not State.ACTIVE:
        after = replace(after, unacknowledged_since=None)
    elif notification is not None:
        after = replace(after, unacknowledged_since=now)
    return Transition(alert, after, event, notification, now)


def _marks(alert: Alert, event: Event, now: datetime, delays: Delays) -> dict[str, Any]:
    """The fields that a move changes on the alert, besides its state and its priority."""
    chattering = delays.chattering
    match event:
        case Event.RAISE:
            begun: dict[str, Any] = (
                {"episode": alert.episode + 1, "message_count": 0, "raised_at": now}
                if alert.notified_priority is None
                else {}
            )
            raise_count = chattering.raise_count(alert.recent_ends, now)
            begun |= {"acknowledged_at": None, "ended_at": None, "escalated": False, "reached": False}
            return {"raise_count": raise_count, **begun}
        case Event.WORSEN:
            return {
                "escalated": False,
                "raise_count": max(alert.raise_count, chattering.raise_count(alert.recent_ends, now)),
            }
        case Event.EASE | Event.CLEAR:
            recent_ends = () if alert.chattering else chattering.remembered(alert.recent_ends, now)
            ended = _ended(alert, now) if event is Event.CLEAR else {}
            # No message said that it began and none may be sent now, so none says that it ended, although the operator
            # acknowledged it with its cause.
            unsent = event is Event.CLEAR and not alert.message_count and alert.kept_back(now)
            known = {"notified_priority": None} if unsent else {}
            return {"escalated": False, "reached": False, "recent_ends": recent_ends, **ended, **known}
        case Event.ACKNOWLEDGE:
            # Whoever acknowledges it knows its current state, even if notifications were kept back.
            return {"acknowledged_at": now, "notified_priority": alert.priority}
        case Event.ESCALATE:
            return {"escalated": True}
        case Event.UNSHELVE:
            return {"shelved_until": None, "shelved_once": False}
        case _:
            return {}


def _ended(alert: Alert, now: datetime) -> dict[str, Any]:
    """The fields that an end changes. A shelving that lasts until the next end is over now."""
    return {"ended_at": now, "shelved_until": now if alert.shelved_once else alert.shelved_until}


def reach(alert: Alert, now: datetime, *, known: bool) -> tuple[Alert, Transition | None]:
    """Record that what an active alert warns of has happened: news, although the priority stays the same.

    "Full in a day" is not "full", above all where what stops with it is not reported apart. So it needs its own
    acknowledgement, and is sent when the alert is no longer kept back. known: another message says it already.
    """
    reached = replace(alert, reached=True)
    if known or alert.priority is None or alert.notified_priority != alert.priority:
        return reached, None
    lower = Priority(alert.priority - 1) if alert.priority > Priority.CAUTION else None
    move = _move(replace(reached, notified_priority=lower), Event.WORSEN, alert.priority, now, Delays())
    return move.after, replace(move, before=replace(move.before, reached=False))


def acknowledge(alert: Alert, now: datetime) -> Transition | None:
    """Acknowledge an alert for the operator. None if there is nothing to acknowledge."""
    if (alert.state, Event.ACKNOWLEDGE) not in TABLE:
        return None
    return _move(alert, Event.ACKNOWLEDGE, alert.priority, now, Delays())


def shelve(alert: Alert, now: datetime, until: datetime | None = None, *, once: bool = False) -> Transition:
    """Shelve an alert until a time, with `once` also no longer than until it next ends.

    Nothing is shelved permanently: LONGEST_SHELVED is the limit, and it applies if no time is given.
    """
    longest = now + LONGEST_SHELVED
    shelved = replace(alert, shelved_until=min(until or longest, longest), shelved_once=once)
    return Transition(alert, shelved, Event.SHELVE, None, now)


def unshelve(alert: Alert, now: datetime) -> Transition | None:
    """End a shelving early. None if it is not shelved. The next step sends what was kept back."""
    return _move(alert, Event.UNSHELVE, alert.priority, now, Delays()) if alert.shelved(now) else None


def hold(alert: Alert, by: SeriesKey, until: datetime | None = None) -> Alert:
    """Suppress its notifications for now: because of another alert, until that is over or until a given time."""
    return replace(alert, held_by=by, held_until=until)


def release(alert: Alert) -> Alert:
    """End the suppression; the next step sends what the operator does not know."""
    return replace(alert, held_by=None, held_until=None)


def dropped(alert: Alert, now: datetime) -> tuple[Alert, tuple[Transition, ...]]:
    """End an alert whose subject is no longer monitored: at once, regardless of suppression and delays.

    If the operator was notified that it is active, its end is reported; that needs no acknowledgement.
    """
    plain = replace(release(alert), raise_count=0, recent_ends=(), shelved_until=None, shelved_once=False)
    ended, moves = step(plain, None, now, Delays())
    if ended.state is not State.RECTIFIED:
        return ended, moves
    over = _move(ended, Event.LAPSE, None, now, Delays())
    return over.after, (*moves, over)


def mark_summarized(alert: Alert, now: datetime) -> Transition:
    """Mark as known what the operator has read in a message about several alerts, and end its suppression."""
    known = replace(release(alert), notified_priority=alert.priority)
    return Transition(alert, known, Event.NOTIFY, None, now)


def shifted(alert: Alert, by: timedelta) -> Alert:
    """After a gap in monitoring, or a clock change: shift start times so that elapsed times exclude the gap.

    Times that were shown to people, and the end of a shelving, which they chose, stay as they are.
    """

    def moved(at: datetime | None) -> datetime | None:
        return None if at is None else at + by

    return replace(
        alert,
        pending_since=moved(alert.pending_since),
        held_until=moved(alert.held_until),
        unacknowledged_since=moved(alert.unacknowledged_since),
        recent_ends=tuple(at + by for at in alert.recent_ends),
    )
