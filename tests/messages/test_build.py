"""What a message is made of, and its ids."""

from dataclasses import fields, replace
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.messages import HOST, NOW, SKERRY, ZONE, after, episode, filling, level, messages, silence, told
from watchkeeper.alerting.state_machine import acknowledge
from watchkeeper.manual.runbook import first_step
from watchkeeper.messages import build as messaging
from watchkeeper.messages.build import compose, thread_id
from watchkeeper.model.alert import Alert, Concern, Event, NotificationKind, Priority, State, Transition
from watchkeeper.model.message import Message, message_id


def test_one_episode_is_one_thread() -> None:
    """All notifications of an episode share the thread and are numbered from 1; each has an id of its own."""
    found = messages()
    assert [each.kind for each in found] == [
        NotificationKind.RAISED,
        NotificationKind.WORSE,
        NotificationKind.EASED,
        NotificationKind.ENDED,
    ]
    assert len({each.thread for each in found}) == 1
    assert [each.number for each in found] == [1, 2, 3, 4]
    assert len({each.id for each in found}) == 4
    assert found[3].earlier_ids == tuple(each.id for each in found[:3])


def test_next_episode_is_another_thread() -> None:
    """The same alert raised again begins a new thread, with number 1."""
    again = told([filling(NOW, 3), filling(after(hours=1), None), filling(after(hours=2), 3)], level())
    first, _, second = (each.message() for each in again)
    assert first.thread != second.thread
    assert second.number == 1


def test_ids_survive_a_restart() -> None:
    """The thread's id depends on nothing but the alert: this value must never change, or replies lose their thread."""
    assert messages()[0].thread == messages()[0].thread == str(UUID(messages()[0].thread))
    assert thread_id("gannet", "pool skerry", "space", "full", "1", "2026-11-24T09:12:00+00:00") == messages()[0].thread
    assert UUID(messages()[0].thread).version == 5


def test_ids_fit_a_signature() -> None:
    """Standard Webhooks 1.0.0 signs `id.timestamp.body`, so an id must hold no full stop."""
    assert all("." not in each.id for each in messages())
    assert message_id("a-thread", 12) == "a-thread-12"


@given(*[st.text(st.characters(exclude_categories=()))] * 4)
def test_other_parts_other_threads(host: str, one: str, two: str, three: str) -> None:
    """Parts are kept apart, and names that are not UTF-8 have an id too."""
    assert thread_id(host, one, two) == thread_id(host, one, two)
    assert thread_id(host, one, two) != thread_id(host, one, two, three)
    assert (thread_id(host, one + two, three) == thread_id(host, one, two + three)) == (two == "")


def test_fields_of_a_message() -> None:
    """A message holds the alert's state after the transition, its earlier priority, and the finding's times."""
    raised, worse, _, ended = messages()
    found = episode()[0].found
    assert (raised.before, raised.priority, raised.state) == (None, Priority.WARNING, State.ACTIVE)
    assert (worse.before, worse.priority) == (Priority.WARNING, Priority.ALARM)
    assert (ended.before, ended.priority, ended.state) == (Priority.CAUTION, None, State.RECTIFIED)
    assert (raised.earliest_at, raised.likely_at, raised.latest_at) == (
        found.earliest_at,
        found.ends_at,
        found.latest_at,
    )
    assert (raised.host, raised.key, raised.concern, raised.at) == (HOST, SKERRY, Concern.FULL, NOW)
    assert ended.since == NOW
    assert silence()[0].message().since == after(minutes=-4)
    assert not raised.test


def test_nothing_to_notify() -> None:
    """A transition without a notification makes no message, and says so."""
    known = acknowledge(episode()[0].move.after, after(minutes=5))
    assert known is not None
    with pytest.raises(ValueError, match="acknowledge of pool skerry: space sends no notification"):
        compose(known, episode()[0].found, level(), HOST, ZONE, first_step)


def test_alert_without_its_raise() -> None:
    """An alert that was stored without the instant of its raise still ends with a message."""
    alert = Alert(SKERRY, Concern.FULL, State.ACTIVE, Priority.ALARM, episode=1)
    ended = Transition(
        alert, replace(alert, state=State.RECTIFIED, priority=None), Event.CLEAR, NotificationKind.ENDED, NOW
    )
    message = compose(ended, filling(NOW, None), level(), HOST, ZONE, first_step)
    assert message.since == NOW
    assert "(0 s)" in message.body


def test_trial() -> None:
    """The test message says that it is one, and not an alert; each has its own thread."""
    trial = messaging.test_message(HOST, NOW, ZONE)
    assert trial.test
    assert trial.headline == "test message from gannet"
    assert "It is not an alert." in trial.body
    assert "Tue 24 Nov 10:12 (CET, now UTC+01:00)" in trial.body
    assert trial.earlier_ids == ()
    assert trial.thread != messaging.test_message(HOST, after(seconds=1), ZONE).thread


def test_every_field_is_documented() -> None:
    """Each field whose name does not explain itself is in the docstring."""
    plain = {"kind", "key", "concern", "state", "at"}
    assert all(f.name in plain or f"{f.name}" in (Message.__doc__ or "") for f in fields(Message))
