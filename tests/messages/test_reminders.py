"""When a reminder of an unacknowledged alert is due, and what it says."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.messages import HOST, NOW, ZONE, Told, episode
from watchkeeper.manual.runbook import first_step
from watchkeeper.messages.reminders import Reminder, Reminders, newest_due, remind
from watchkeeper.model.alert import Alert, NotificationKind, Priority, State
from watchkeeper.model.observation import SeriesKey

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
PLAN = Reminders({Priority.WARNING: 3_600.0}, longest_s=86_400.0)


def raised() -> Told:
    """skerry, a warning."""
    return episode()[0]


def alert(**changes: object) -> Alert:
    """Its alert, with these changes."""
    return replace(raised().move.after, **changes)  # type: ignore[arg-type]


def times(until: datetime, plan: Reminders = PLAN) -> list[float]:
    """Hours after the alert at which reminders are due, looked for every ten minutes."""
    found, at = [], NOW
    while at < until:
        due = newest_due(alert(), plan, at, at + timedelta(minutes=10))
        at += timedelta(minutes=10)
        if due is not None:
            found.append((due.due_at - NOW) / HOUR)
    return found


def test_they_come_further_apart_each_time() -> None:
    """After 1, 2, 4, 8 and 16 more hours, and then once a day, which is the longest wait."""
    assert times(NOW + 4 * DAY) == [1, 3, 7, 15, 31, 55, 79]


@given(st.lists(st.floats(0, 200 * 3_600), min_size=1, max_size=20).map(sorted))
def test_each_is_due_in_one_look_whatever_the_looks(looks_s: list[float]) -> None:
    """However often and however late somebody looks: none is found twice, and the newest is never missed."""
    after, found = NOW, []
    for look_s in looks_s:
        now = NOW + timedelta(seconds=look_s)
        due = newest_due(alert(), PLAN, after, now)
        found += [due.number] if due else []
        after = now
    assert found == sorted(set(found))
    newest = newest_due(alert(), PLAN, NOW, after)
    assert (found[-1] if found else None) == (newest.number if newest else None)


@pytest.mark.parametrize(
    "changes",
    [
        {"pending": None, "pending_since": NOW},
        {"pending": Priority.CAUTION, "pending_since": NOW},
        {"state": State.ACKNOWLEDGED},
        {"state": State.RECTIFIED, "priority": None},
        {"priority": Priority.CAUTION},
        {"notified_priority": None},
        {"changed_at": None},
        {"shelved_until": NOW + 9 * DAY},
        {"held_by": SeriesKey("guest hide-hub", "state")},
    ],
)
def test_what_gets_no_reminder(changes: dict[str, object]) -> None:
    """Acknowledged, ended, shelved, suppressed, or of a priority that has no reminders."""
    assert newest_due(alert(**changes), PLAN, NOW, NOW + 2 * DAY) is None
    assert newest_due(alert(), PLAN, NOW, NOW + 2 * DAY) is not None


def test_what_it_says() -> None:
    """That it is not acknowledged, when it was last reported, and everything that the message says about it."""
    told, now = raised(), NOW + 3 * HOUR
    message = remind(told.move.after, told.found, told.seen, Reminder(2, now, NOW), now, HOST, ZONE, first_step)
    first = told.message()
    assert message.id == f"{first.id}-again-2-{int(now.timestamp())}"
    assert (message.thread, message.kind, message.priority) == (
        first.thread,
        NotificationKind.REMINDED,
        Priority.WARNING,
    )
    assert message.earlier_ids == (first.id,)
    assert message.headline == "pool skerry full in about 3 days (Fri 27 Nov), not acknowledged"
    assert message.body.startswith("Reminder: this alert was last reported 3 h ago and is not acknowledged.")
    assert "Warning on gannet: pool skerry full in about 3 days" in message.body
    assert "Raised Tue 24 Nov 10:12." in " ".join(message.body.split())
    assert "What to do first:" in message.body


def test_none_is_due_before_the_first() -> None:
    """A look before the first wait is over finds nothing."""
    assert newest_due(alert(), PLAN, NOW, NOW + HOUR / 2) is None
