"""The steps of an alert through its table, all pure.

Two kinds of thing move an alert: what a finding says (`step`) and what the keeper does (`acknowledge`, `shelve`,
`unshelve`). The passing of time alone moves it too: a delay runs out, a shelving ends, a warning that nobody
acknowledged becomes an alarm, a rectified alert lapses. That happens in `step` as well, which is why the daemon calls
it on a timer. Not here: the vocabulary and the table themselves (model/alert.py).
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
    """Move an alert to what its finding asks for, as far as the delays allow; return it and the moves made."""
    made: list[Transition] = []
    alert, move = _follow(alert, wanted, now, delays)
    for stage in (_end_shelving, _escalate, _tell_late, _lapse):
        made += filter(None, [move])
        alert, move = stage(alert, now, delays)
    made += filter(None, [move])
    return alert, tuple(made)


Stage = tuple[Alert, Transition | None]


def _follow(alert: Alert, wanted: Priority | None, now: datetime, delays: Delays) -> Stage:
    """What findings ask for, once it has lasted."""
    if alert.escalated and wanted is Priority.WARNING:
        wanted = Priority.ALARM  # easing to what it was before nobody came would undo the escalation at once
    elif wanted is Priority.ALARM:
        alert = replace(alert, escalated=False)  # the facts say so themselves now
    if wanted == alert.priority:
        return replace(_steady(alert, now, delays), pending=None, pending_since=None), None
    rising = (wanted or 0) > (alert.priority or 0)
    if rising:
        alert = _come_back(alert, now)
    asked, since = _pend(alert, wanted, now, rising=rising)
    # A clock that was set back must not hold an alert up: an elapsed time below zero starts the delay anew.
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
    """When the delay is over that holds back what findings ask for; None where none runs."""
    if alert.pending_since is None:
        return None
    return alert.pending_since + timedelta(seconds=_delay_s(alert, delays, rising=not _falling(alert)))


def _pend(alert: Alert, wanted: Priority | None, now: datetime, *, rising: bool) -> tuple[Priority | None, datetime]:
    """What has been asked for all through the delay: the least of a rise, the most of a fall."""
    if alert.pending_since is None or _falling(alert) == rising:
        return wanted, now
    keep = min if rising else max
    return keep(alert.pending, wanted, key=lambda p: p or 0), alert.pending_since


def _falling(alert: Alert) -> bool:
    """Does an end or an easing wait for its delay?"""
    return alert.pending_since is not None and (alert.pending or 0) < (alert.priority or 0)


def _come_back(alert: Alert, now: datetime) -> Alert:
    """While it chatters: once more it was away and is back, without any move of the table."""
    if not (alert.chattering and _falling(alert)):
        return alert
    return replace(alert, comings=alert.comings + 1, falls=(now,))


def _steady(alert: Alert, now: datetime, delays: Delays) -> Alert:
    """What is asked for is what stands: has the chattering become calm?"""
    alert = _come_back(alert, now)
    if alert.chattering and (not alert.falls or delays.chattering.calm(alert.falls[-1], now)):
        return replace(alert, comings=0, falls=())
    return alert


def _event(alert: Alert, wanted: Priority | None) -> Event:
    if alert.priority is None:
        return Event.RAISE
    if wanted is None:
        return Event.CLEAR
    return Event.WORSEN if wanted > alert.priority else Event.EASE


def _end_shelving(alert: Alert, now: datetime, delays: Delays) -> Stage:
    """A shelving ends by itself, whatever the clock was set to meanwhile."""
    if alert.shelved_until is None:
        return alert, None
    if alert.shelved(now):
        return replace(alert, shelved_until=min(alert.shelved_until, now + LONGEST_SHELVED)), None
    move = _move(alert, Event.UNSHELVE, alert.priority, now, delays)
    return move.after, move


def _escalate(alert: Alert, now: datetime, delays: Delays) -> Stage:
    """MSC.302(87) 6.2.2: an unacknowledged warning becomes an alarm. What the keeper was not told of does not."""
    waiting = alert.state is State.ACTIVE and alert.priority is Priority.WARNING and not alert.kept_back(now)
    if not waiting or delays.escalate_s is None or alert.unknown_since is None:
        return alert, None
    if (now - alert.unknown_since).total_seconds() < delays.escalate_s:
        return alert, None
    move = _move(alert, Event.ESCALATE, Priority.ALARM, now, delays)
    return move.after, move


def _tell_late(alert: Alert, now: datetime, delays: Delays) -> Stage:
    """What was kept back is told once it no longer is, if the keeper does not know it by then."""
    if alert.owed is None or alert.kept_back(now):
        return alert, None
    move = _move(alert, Event.TELL, alert.priority, now, delays)
    return move.after, move


def _lapse(alert: Alert, now: datetime, delays: Delays) -> Stage:
    """Nothing stays rectified for ever; and what the keeper never heard of, they need not acknowledge."""
    if alert.state is not State.RECTIFIED or alert.ended_at is None:
        return alert, None
    if alert.tellings and now - alert.ended_at < LAPSE_AFTER:
        return alert, None
    move = _move(alert, Event.LAPSE, None, now, delays)
    return move.after, move


def _move(alert: Alert, event: Event, priority: Priority | None, now: datetime, delays: Delays) -> Transition:
    state, _ = TABLE[alert.state, event]
    after = replace(alert, state=state, priority=priority, changed_at=now, **_marks(alert, event, now, delays))
    telling = None if alert.kept_back(now) or event is Event.UNSHELVE else after.owed
    if telling is not None:
        after = replace(after, tellings=after.tellings + 1, told=priority)
    if state is not State.ACTIVE:
        after = replace(after, unknown_since=None)
    elif telling is not None:
        after = replace(after, unknown_since=now)
    return Transition(alert, after, event, telling, now)


def _marks(alert: Alert, event: Event, now: datetime, delays: Delays) -> dict[str, Any]:
    """What a move notes on the alert, beside its state and its priority."""
    chattering = delays.chattering
    match event:
        case Event.RAISE:
            begun = {"episode": alert.episode + 1, "tellings": 0, "raised_at": now} if alert.told is None else {}
            comings = chattering.comings(alert.falls, now)
            return {"acknowledged_at": None, "ended_at": None, "escalated": False, "comings": comings, **begun}
        case Event.WORSEN:
            return {"escalated": False, "comings": max(alert.comings, chattering.comings(alert.falls, now))}
        case Event.EASE | Event.CLEAR:
            falls = () if alert.chattering else chattering.fallen(alert.falls, now)
            ended = _ended(alert, now) if event is Event.CLEAR else {}
            return {"escalated": False, "falls": falls, **ended}
        case Event.ACKNOWLEDGE:
            # Whoever acknowledges it knows how it stands, whatever was kept back.
            return {"acknowledged_at": now, "told": alert.priority}
        case Event.ESCALATE:
            return {"escalated": True}
        case Event.UNSHELVE:
            return {"shelved_until": None, "shelved_once": False}
        case _:
            return {}


def _ended(alert: Alert, now: datetime) -> dict[str, Any]:
    """Marks of an end. What was shelved until then is shelved no longer: its time is up now."""
    return {"ended_at": now, "shelved_until": now if alert.shelved_once else alert.shelved_until}


def acknowledge(alert: Alert, now: datetime) -> Transition | None:
    """The keeper says that they know. None where there is nothing to acknowledge."""
    if (alert.state, Event.ACKNOWLEDGE) not in TABLE:
        return None
    return _move(alert, Event.ACKNOWLEDGE, alert.priority, now, Delays())


def shelve(alert: Alert, now: datetime, until: datetime | None = None, *, once: bool = False) -> Transition:
    """Set an alert aside until an instant, with `once` also no longer than until it next ends.

    Nothing is shelved for ever: LONGEST_SHELVED is the bound, and what counts where no instant is given.
    """
    longest = now + LONGEST_SHELVED
    shelved = replace(alert, shelved_until=min(until or longest, longest), shelved_once=once)
    return Transition(alert, shelved, Event.SHELVE, None, now)


def unshelve(alert: Alert, now: datetime) -> Transition | None:
    """Take a shelving back before its time. None where it is not shelved. The next step tells what was kept back."""
    return _move(alert, Event.UNSHELVE, alert.priority, now, Delays()) if alert.shelved(now) else None


def hold(alert: Alert, by: SeriesKey, until: datetime | None = None) -> Alert:
    """Tell nothing of it for now: because of another alert, until that is over or an instant has come."""
    return replace(alert, held_by=by, held_until=until)


def release(alert: Alert) -> Alert:
    """Hold it no longer; the next step tells what the keeper does not know."""
    return replace(alert, held_by=None, held_until=None)


def dropped(alert: Alert, now: datetime) -> tuple[Alert, tuple[Transition, ...]]:
    """What it is about is no longer watched: it ends at once, whatever kept it back or made it wait.

    Where the keeper was told that it stands, they are told of its end; nobody need acknowledge that.
    """
    plain = replace(release(alert), comings=0, falls=(), shelved_until=None, shelved_once=False)
    ended, moves = step(plain, None, now, Delays())
    if ended.state is not State.RECTIFIED:
        return ended, moves
    over = _move(ended, Event.LAPSE, None, now, Delays())
    return over.after, (*moves, over)


def mark_summarized(alert: Alert, now: datetime) -> Transition:
    """The keeper has read of it in a message about several: it is told as it stands, and held no longer."""
    known = replace(release(alert), told=alert.priority)
    return Transition(alert, known, Event.TELL, None, now)


def shifted(alert: Alert, by: timedelta) -> Alert:
    """After a gap in the watch, or a step of the clock: what is measured from an instant is measured without the gap.

    Instants that people were told, and the end of a shelving, which they chose, stay as they are.
    """

    def moved(at: datetime | None) -> datetime | None:
        return None if at is None else at + by

    return replace(
        alert,
        pending_since=moved(alert.pending_since),
        held_until=moved(alert.held_until),
        unknown_since=moved(alert.unknown_since),
        falls=tuple(at + by for at in alert.falls),
    )
