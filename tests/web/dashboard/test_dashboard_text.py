"""The page's own sentences."""

from dataclasses import replace
from datetime import UTC, timedelta

import pytest

from tests.support import readstore
from tests.support.readstore import DAY, GIB, HOUR, NOW, ReadStoreDouble
from tests.web.dashboard.test_dashboard import board_of
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, SeriesKey
from watchkeeper.web.dashboard import dashboard_text
from watchkeeper.web.dashboard.active_alert import ActiveAlert
from watchkeeper.web.dashboard.dashboard import Dashboard, NotObserved, build_dashboard

KEY = SeriesKey("pool skerry", "space")
DAY_S = 86_400.0


@pytest.mark.parametrize(
    ("store", "verdict", "by_when"),
    [
        (readstore.fresh(), "Monitoring has just started", "No readings yet."),
        (readstore.calm(), "Nothing needs you", "Next to fill up: pool skerry, in about 6 months (Sat 15 May)."),
        (
            readstore.filling(),
            "Snapshots of nest-cams are overdue by 2 days 4 h",
            "Two more things need you. Next: pool skerry, full in about 3 days (Sat 28 Nov).",
        ),
        (
            readstore.full(),
            "Pool skerry is full",
            "Nine more things need you. Next: file system /srv, full in about 9 h",
        ),
    ],
)
def test_verdict(store: ReadStoreDouble, verdict: str, by_when: str) -> None:
    """Each state of the scenario has its two first sentences."""
    board = board_of(store)
    assert dashboard_text.verdict(board) == verdict
    assert dashboard_text.by_when(board, UTC).startswith(by_when)


def _one(concern: Concern = Concern.FULL, priority: Priority = Priority.WARNING) -> ReadStoreDouble:
    store = ReadStoreDouble()
    store.level("pool skerry", "space", GIB, 2 * GIB, full_in=(2 * DAY, 3 * DAY, 4 * DAY))
    store.alert(KEY, concern, priority, HOUR)
    return store


def test_one_thing() -> None:
    """One thing is the headline itself; nothing else is said to need anyone."""
    board = board_of(_one())
    assert dashboard_text.verdict(board) == "Pool skerry will be full in about 3 days"
    assert dashboard_text.by_when(board, UTC) == "Likely Sat 28 Nov."


def test_appointment_is_exact() -> None:
    """A deadline is told without `about`."""
    store = _one()
    made = store.deadline("service hide-hub", "certificate", 16 * DAY, None)
    store.alert(made.key, Concern.OVERDUE, Priority.CAUTION, HOUR)
    said = dashboard_text.by_when(board_of(store), UTC)
    assert said.endswith(
        "One more thing needs you. Next: service hide-hub: certificate, expires in 16 days (Fri 11 Dec)."
    )


def test_more_things_without_a_time_are_named() -> None:
    """Where no time is ahead, the other things are named instead."""
    store = _one()
    made = store.answer("service tide-log", None, "no answer", HOUR)
    store.alert(made.key, Concern.NOT_ANSWERING, Priority.CAUTION, HOUR)
    assert (
        dashboard_text.by_when(board_of(store), UTC) == "Likely Sat 28 Nov. One more thing needs you: service tide-log."
    )


def test_what_is_acknowledged_and_still_so_is_said() -> None:
    """A pool that is full does not vanish from the first sentences when it is acknowledged."""
    store = readstore.full()
    known = {"pool skerry", *readstore.carried("pool skerry")}
    store.raised = [replace(a, state=State.ACKNOWLEDGED) if a.key.subject in known else a for a in store.raised]
    board = board_of(store)
    assert dashboard_text.verdict(board) == "File system /srv will be full in about 9 h"
    assert "Acknowledged: pool skerry full" in dashboard_text.by_when(board, UTC)
    store.raised = [replace(a, state=State.ACKNOWLEDGED) for a in store.raised]
    assert dashboard_text.by_when(board_of(store), UTC).startswith("Acknowledged: pool skerry full")


def test_nobody_would_be_notified() -> None:
    """Without a notifier "nothing needs you" is only half of the truth."""
    board = board_of(readstore.calm())
    assert dashboard_text.verdict(board, mute=True) == "Nothing needs you, but nobody would be notified"


def test_nothing_ahead_is_silent() -> None:
    """Where no time is ahead, no second sentence is made up."""
    assert dashboard_text.by_when(board_of(_one(Concern.NOT_REPORTING)), UTC) == ""


def test_no_end_in_sight() -> None:
    """Where no level fills, the second sentence says so; with nothing to say it stays empty."""
    store = ReadStoreDouble()
    store.answer("service hide-hub", 0.1)
    assert dashboard_text.by_when(board_of(store), UTC) == "Nothing is expected to fill up within a year."
    store.all_series.clear()
    assert dashboard_text.by_when(board_of(store), UTC) == ""


def test_not_known_yet_is_said() -> None:
    """Just after the start no level has a forecast, which is not the same as none having an end."""
    store = ReadStoreDouble()
    store.level("pool skerry", "space", GIB, 2 * GIB, no_end=NoEnd.TOO_FEW)
    assert dashboard_text.by_when(board_of(store), UTC) == (
        "No forecast yet for pool skerry. The first forecasts come after about 10 min of readings."
    )


def test_what_is_too_irregular_was_known_once() -> None:
    """A level whose changes are irregular is not one that has just begun."""
    store = ReadStoreDouble()
    store.level("pool skerry", "space", GIB, 2 * GIB, no_end=NoEnd.UNCERTAIN)
    said = dashboard_text.by_when(board_of(store), UTC)
    assert said == "No forecast for pool skerry: its changes are too irregular."
    store.level("memory", "in use", GIB, 2 * GIB, no_end=NoEnd.UNCERTAIN)
    both = dashboard_text.by_when(board_of(store), UTC)
    assert both == "No forecast for pool skerry and memory: their changes are too irregular."


def test_known_things_are_not_news() -> None:
    """An acknowledged alert leaves nothing new, which is not the same as nothing."""
    board = board_of(readstore.filling())
    quiet = Dashboard(board.at, (), board.known, (), (), (), (), 1, board.newest_at)
    assert dashboard_text.verdict(quiet) == "Nothing new needs you"


def test_counted() -> None:
    """Small numbers are words."""
    assert dashboard_text.counted(1, "thing", "things") == "One thing"
    assert dashboard_text.counted(13, "thing", "things") == "13 things"


@pytest.mark.parametrize(
    ("earliest_s", "latest_s", "words"),
    [
        (2 * DAY_S, 5 * DAY_S, "2 to 5 days"),
        (20 * 3600, 5 * DAY_S, "20 h to 5 days"),
        (15 * DAY_S, None, "15 days at the earliest"),
        (3 * DAY_S, 3 * DAY_S + 60, ""),
        (None, None, ""),
    ],
)
def test_between(earliest_s: float | None, latest_s: float | None, words: str) -> None:
    """The interval in as few words as it can be."""
    assert dashboard_text.between(earliest_s, latest_s) == words


def test_left_of_what_has_passed() -> None:
    """An appointment that has passed without an alert stands at now."""
    store = ReadStoreDouble()
    store.deadline("snapshots of tide-log", "age of the newest", -HOUR, DAY)
    assert dashboard_text.left(board_of(store).places[0]) == "now"


def test_interval_of_what_is_full() -> None:
    """What is full has no interval any more, and neither has what is no forecast."""
    full, silent = readstore.full(), readstore.filling()
    finding = next(f for f in full.found if f.key == KEY and f.concern is Concern.FULL)
    assert dashboard_text.interval_of(finding) == ""
    assert all(dashboard_text.interval_of(f) == "" for f in silent.found if f.concern is not Concern.FULL)


def test_alert_without_a_finding() -> None:
    """An alert restored before its series was judged again is told by its concern."""
    board = board_of(readstore.fresh())
    alert = readstore.filling().raised[0]
    assert dashboard_text.fact(ActiveAlert(alert, None, None, None, NOW), board, UTC) == "overdue"
    assert dashboard_text.since(Alert(KEY, Concern.FULL), board, UTC) == ""


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        (None, "no reading yet"),
        (Level(KEY, GIB, 2 * GIB), "1 GiB of 2 GiB used (50 %), 1 GiB left"),
        (Level(KEY, float("inf"), 2 * GIB), "no figures"),
        (Answer(KEY, answered=True, took_s=0.038), "answered in 38 ms"),
        (Answer(KEY, answered=True, took_s=1.24), "answered in 1.2 s"),
        (Answer(KEY, answered=True), "answered in unknown time"),
        (Answer(KEY, answered=False), "not answering"),
        (Answer(KEY, answered=False, reason="status 502"), "status 502"),
        (Condition(KEY, ok=True), "OK"),
        (Condition(KEY, ok=False, reason="paused"), "paused"),
        (Condition(SeriesKey("file system /srv", "writable"), ok=False), "not writable"),
        (Deadline(KEY, None), "none found"),
        (Deadline(KEY, readstore.NOW, readstore.NOW - timedelta(days=1)), "on time"),
    ],
)
def test_summary(seen: Level | Answer | Condition | Deadline | None, words: str) -> None:
    """Each kind of observation in a few words."""
    assert dashboard_text.summary(seen) == words


def test_what_ok_does_not_cover() -> None:
    """Three things by name, the rest by count; a probe that could not run by its own name."""
    board = build_dashboard((), (), (), (), NOW)
    assert dashboard_text.unseen(board) == ""
    parts = [NotObserved("zfs", "", "no zpool"), *(NotObserved("guests", f"guest {n}", "no monitor") for n in "abc")]
    told = dashboard_text.unseen(replace(board, unseen=tuple(parts)))
    assert told == "Not checked: probe zfs, guest a, guest b and 1 more; `watchkeeper probe --unseen` lists them."
    assert dashboard_text.unseen(replace(board, unseen=tuple(parts[:1]))) == "Not checked: probe zfs."


@pytest.mark.parametrize(("count", "words"), [(1, "1 thing is not checked"), (4, "4 things are not checked")])
def test_the_headline_counts_what_ok_does_not_cover(count: int, words: str) -> None:
    """It is short; the list is elsewhere."""
    parts = tuple(NotObserved("coverage", f"guest {n}", "no probe covers it") for n in range(count))
    calm = replace(build_dashboard((), (), (), (), NOW), newest_at=NOW)
    assert dashboard_text.verdict(replace(calm, unseen=parts)) == f"Nothing needs you, but {words}"
