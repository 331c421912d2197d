"""Events in words."""

from dataclasses import replace
from datetime import UTC, timedelta

import pytest

from tests.support import readstore
from tests.support.readstore import DAY, GIB, HOUR, NOW, ReadStoreDouble
from tests.web.dashboard.test_cause_tree import board_of
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import OWN_NAME, Condition, SeriesKey
from watchkeeper.model.records import Series
from watchkeeper.web.dashboard import dashboard_text
from watchkeeper.web.dashboard.active_alert import ActiveAlert
from watchkeeper.web.events.event_text import kinds_of, outcome, sentence_name, statement


def first(store: ReadStoreDouble, made: Series, concern: Concern) -> ActiveAlert:
    """The event of one alert about a series."""
    store.alert(made.key, concern, Priority.WARNING, HOUR)
    return board_of(store).needing[0]


def test_a_full_pool_in_two_sentences() -> None:
    """What has happened, and what stopped with it."""
    event = board_of(readstore.full()).needing[0]
    assert statement(event, UTC) == "Pool skerry is full"
    assert outcome(event) == "4 guests and 4 services stopped with it."


def test_levels() -> None:
    """Full, in time, and no longer filling."""
    store = ReadStoreDouble()
    ahead = store.level("memory", "swap", GIB, 2 * GIB, full_in=(2 * DAY, 3 * DAY, 4 * DAY))
    assert statement(first(store, ahead, Concern.FULL), UTC) == "The swap of memory will be full in about 3 days"
    store = ReadStoreDouble()
    past = timedelta(seconds=-5)
    now = store.level("pool skerry", "space", GIB, 2 * GIB, full_in=(past, past, past))
    assert statement(first(store, now, Concern.FULL), UTC) == "Pool skerry may be full at any moment"
    store = ReadStoreDouble()
    still = store.level("pool skerry", "space", GIB, 2 * GIB, no_end=NoEnd.STILL)
    assert statement(first(store, still, Concern.FULL), UTC) == "Pool skerry is not filling"


@pytest.mark.parametrize(
    ("no_end", "ago", "said"),
    [
        (NoEnd.SHRINKING, HOUR, "Pool skerry has room again since 06:24"),
        (NoEnd.STILL, DAY, "Pool skerry is no longer forecast to fill since Tue 24 Nov 07:24"),
    ],
)
def test_room_again_under_an_alarm(no_end: NoEnd, ago: timedelta, said: str) -> None:
    """While the alert waits for the end to last, it says since when, and names no end in sight."""
    store = ReadStoreDouble()
    made = store.level("pool skerry", "space", GIB, 2 * GIB, no_end=no_end)
    store.alert(made.key, Concern.FULL, Priority.ALARM, 2 * DAY)
    store.raised[-1] = replace(store.raised[-1], pending_since=NOW - ago)
    board = board_of(store)
    assert statement(board.needing[0], UTC) == said
    assert dashboard_text.fact(board.needing[0], board, UTC) == said.split(maxsplit=3)[-1]


def test_room_again_after_an_alert_was_lowered() -> None:
    """A level that was full has room; when that began is not known once the alert was lowered on the way."""
    store = ReadStoreDouble()
    made = store.level("pool skerry", "space", GIB, 2 * GIB, no_end=NoEnd.STILL)
    late = store.condition("guest tide-log", "state", "paused", HOUR)
    store.alert(late.key, Concern.FAULTY, Priority.CAUTION, HOUR)
    store.alert(made.key, Concern.FULL, Priority.ALARM, 2 * DAY)
    eased = replace(store.raised[-1], pending_since=NOW - HOUR, changed_at=NOW - HOUR, reached=True)
    store.raised[-1] = eased
    board = board_of(store)
    assert [e.alert.concern for e in board.needing] == [Concern.FAULTY, Concern.FULL]
    assert statement(board.needing[1], UTC) == "Pool skerry has room again"
    assert dashboard_text.why(board.needing[1].finding, None, UTC, eased) == ""
    assert board.urgent is Priority.CAUTION
    assert dashboard_text.by_when(board, UTC) == "Room again: pool skerry."
    store.raised[-1] = replace(eased, reached=False)
    assert dashboard_text.by_when(board_of(store), UTC) == "No longer filling: pool skerry."
    assert replace(board, needing=board.needing[1:]).urgent is Priority.CAUTION
    assert replace(board, needing=()).urgent is None


def test_full_since_it_was_full() -> None:
    """Not since the first warning, which was days earlier."""
    store = readstore.full()
    key = SeriesKey("pool skerry", "space")
    full_at = NOW - timedelta(minutes=24)
    store.found[:] = [replace(f, since=full_at) if f.key == key and f.priority else f for f in store.found]
    store.raised[:] = [replace(a, raised_at=NOW - 2 * DAY) if a.key == key else a for a in store.raised]
    board = board_of(store)
    pool = board.needing[0]
    said = dashboard_text.since(pool.alert, board, UTC, pool.finding)
    assert said == "full since Wed 25 Nov 07:00 (24 min); warned Mon 23 Nov 07:24 (2 days)"
    at_once = replace(pool.alert, raised_at=full_at)
    assert dashboard_text.since(at_once, board, UTC, pool.finding) == "full since Wed 25 Nov 07:00 (24 min)"


def test_dates() -> None:
    """Snapshots are many; a certificate expires."""
    store = ReadStoreDouble()
    late = store.deadline("snapshots of tide-log", "age of the newest", -HOUR, DAY)
    assert statement(first(store, late, Concern.OVERDUE), UTC) == "Snapshots of tide-log are overdue by 1 h"
    store = ReadStoreDouble()
    ends = store.deadline("service hide-hub", "certificate", 3 * DAY, None)
    said = statement(first(store, ends, Concern.OVERDUE), UTC)
    assert said == "The certificate of service hide-hub expires in 3 days"


def test_answers_and_conditions() -> None:
    """Since when, and what the thing itself says."""
    store = ReadStoreDouble()
    silent = store.answer("service tide-log", None, "no answer", HOUR)
    assert statement(first(store, silent, Concern.NOT_ANSWERING), UTC) == "Service tide-log has not answered for 1 h"
    store = ReadStoreDouble()
    young = store.answer("service tide-log", None, "no answer", timedelta(milliseconds=100))
    assert statement(first(store, young, Concern.NOT_ANSWERING), UTC) == "Service tide-log is not answering"
    store = ReadStoreDouble()
    paused = store.condition("guest tide-log", "state", "paused: no space", HOUR)
    assert statement(first(store, paused, Concern.FAULTY), UTC) == "Guest tide-log is paused: no space"
    store = ReadStoreDouble()
    units = store.condition("this machine", "units", "", HOUR)
    assert statement(first(store, units, Concern.FAULTY), UTC) == "This machine has failed units"


def test_an_alert_without_a_finding() -> None:
    """After an upgrade an alert may be known before its series was evaluated."""
    store = ReadStoreDouble()
    store.alert(SeriesKey("pool skerry", "space"), Concern.FULL, Priority.ALARM, HOUR)
    (event,) = board_of(store).needing
    assert statement(event, UTC) == "Pool skerry: filling up"
    assert outcome(event) == ""


def test_what_follows_without_having_stopped() -> None:
    """Figures that are missing have not stopped."""
    store = ReadStoreDouble()
    guest = store.condition("guest tide-log", "state", "paused", HOUR)
    host = store.level("service tide-log", "space", 1.0, 2.0)
    store.alert(guest.key, Concern.FAULTY, Priority.ALARM, HOUR)
    store.alert(host.key, Concern.NOT_REPORTING, Priority.WARNING, HOUR)
    (event,) = board_of(store).needing
    assert outcome(event) == "1 service follows from it."


@pytest.mark.parametrize(
    ("subjects", "words"),
    [
        (["guest a"], "1 guest"),
        (["guest a", "service a", "service b", "lamp"], "1 guest, 2 services and 1 thing"),
        (["lamp", "door"], "2 things"),
    ],
)
def test_kinds(subjects: list[str], words: str) -> None:
    """What they are, counted."""
    assert kinds_of(subjects) == words


def test_names() -> None:
    """A name that already says all stays as it is."""
    assert sentence_name(SeriesKey("pool skerry", "space")) == "Pool skerry"
    assert sentence_name(SeriesKey("file system /", "inodes")) == "The inodes of file system /"
    key = SeriesKey("disk Example S2R5NX0H", "early signs")
    seen = Condition(key, ok=False, facts=((OWN_NAME, "upper bay"),))
    assert sentence_name(key, seen) == "Upper bay (disk Example S2R5NX0H)"
