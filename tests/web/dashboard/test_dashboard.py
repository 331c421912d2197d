"""What stands where on the board."""

from dataclasses import replace
from datetime import UTC, timedelta

import pytest

from tests.support import readstore
from tests.support.clocks import HandClock
from tests.support.readstore import DAY, GIB, HOUR, NOW, ReadStoreDouble
from tests.web.conftest import FixedVitals
from watchkeeper.alerting.missing_data import GONE
from watchkeeper.model.alert import CONCERN, Concern, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import Answer, Condition, Level, Observation, SeriesKey, Unseen, unseen_facts
from watchkeeper.web.api.json_forms import status_form
from watchkeeper.web.context import Context
from watchkeeper.web.dashboard.dashboard import Dashboard, NotObserved, OkSeries, build_dashboard, not_observed
from watchkeeper.web.dashboard.dashboard_text import by_when, summary
from watchkeeper.web.dashboard.pages import open_groups


def board_of(store: ReadStoreDouble) -> Dashboard:
    """The board over a store's state."""
    return build_dashboard(store.all_series, store.seen, store.found, store.raised, store.now)


def test_places_are_in_the_order_of_time_left() -> None:
    """The time-left chart holds what ends within a year, the least time first."""
    places = board_of(readstore.filling()).places
    assert [p.left_s for p in places] == sorted(p.left_s for p in places)
    assert all(0 < p.left_s <= 365 * 86_400 for p in places)


def test_interval_goes_with_a_forecast_alone() -> None:
    """An estimate has its interval, an appointment has none."""
    for place in board_of(readstore.filling()).places:
        assert (place.earliest_s is not None) == place.forecast


def test_staleness_has_no_place() -> None:
    """Every probe would be stale in a few minutes if no sample came; that is not an end that the operator waits for."""
    assert Concern.NOT_REPORTING not in {p.finding.concern for p in board_of(readstore.filling()).places}


def test_most_urgent_first_then_what_began_first() -> None:
    """Alarms come before warnings; of equals what is up already in the order it began, then what is ahead."""
    needing = board_of(readstore.full()).needing
    ranks = [s.alert.priority or 0 for s in needing]
    assert ranks == sorted(ranks, reverse=True)
    alarms = [s.alert.key for s in needing if s.alert.priority is Priority.ALARM]
    assert alarms[0] == SeriesKey("pool skerry", "space")
    assert alarms[-1] == SeriesKey("file system /srv", "space")


def test_what_is_over_stands_in_words_only() -> None:
    """A level that is full has no time left, so it is told above the time-left chart and not on it."""
    board = board_of(readstore.full())
    assert SeriesKey("pool skerry", "space") not in {p.finding.key for p in board.places}


async def test_no_sample_is_newer_than_the_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """A full pool has no time left, also if its sample came while the page was made: the demo showed "about 60 s"."""
    store, clock = readstore.full(), HandClock(NOW)

    async def findings() -> list[Finding]:
        clock.advance(60)
        return [
            replace(each, ends_at=clock.now(), forecast=replace(each.forecast, full=True))
            if each.forecast is not None and each.key.subject == "pool skerry"
            else each
            for each in store.found
        ]

    monkeypatch.setattr(store, "findings", findings)
    context = Context(store, clock, FixedVitals(), "gannet", UTC, "")
    board = await context.dashboard()
    assert board.at == clock.now()
    assert SeriesKey("pool skerry", "space") not in {p.finding.key for p in board.places}
    assert "Likely" not in by_when(board, UTC)


def test_overdue_without_an_alert_stands_at_now() -> None:
    """Where the operator switched the priority off, what is overdue still shows, at the end of the time-left chart."""
    store = ReadStoreDouble()
    store.deadline("snapshots of tide-log", "age of the newest", -HOUR, DAY)
    (place,) = board_of(store).places
    assert place.left_s < 0
    assert place.priority is None


def test_states_have_their_own_parts() -> None:
    """Acknowledged, shelved and rectified alerts do not ask for anything."""
    store = ReadStoreDouble()
    for i, state in enumerate(State):
        store.answer(f"service hide-{i}", 0.1)
        made = store.alert(
            SeriesKey(f"service hide-{i}", "answer"), Concern.NOT_ANSWERING, Priority.WARNING, HOUR, state
        )
        store.raised[-1] = replace(made, priority=made.priority if made.standing else None)
    store.raised.append(replace(store.raised[1], key=SeriesKey("service tide-log", "answer"), shelved_until=NOW + DAY))
    board = board_of(store)
    assert [len(part) for part in (board.needing, board.known, board.over, board.aside)] == [1, 1, 1, 1]


def test_well_is_what_needs_no_place() -> None:
    """Every series is somewhere: on the time-left chart, in an alert, or counted as well or not known."""
    for store in (readstore.calm(), readstore.filling(), readstore.full(), readstore.crowd(60)):
        board = board_of(store)
        told = [part for event in board.needing + board.known for part in event.whole]
        shown = {p.finding.key for p in board.places} | {s.alert.key for s in told}
        assert shown | {q.key for q in board.quiet} == {s.key for s in store.all_series}
        assert shown.isdisjoint({q.key for q in board.quiet})


def test_too_few_samples_is_not_well() -> None:
    """What cannot be said yet is not counted as well."""
    store = ReadStoreDouble()
    for no_end in (NoEnd.TOO_FEW, NoEnd.UNCERTAIN, NoEnd.STILL, NoEnd.FAR):
        store.level(f"file system /{no_end.value}", "space", GIB, 2 * GIB, no_end=no_end)
    assert [q.why for q in board_of(store).quiet] == [
        OkSeries.LEARNING,
        OkSeries.UNCERTAIN,
        OkSeries.NO_END,
        OkSeries.NO_END,
    ]
    assert [q.why.known for q in board_of(store).quiet] == [False, False, True, True]


def test_a_growth_that_is_too_young_for_a_date_is_in_the_open() -> None:
    """It has no place by the date of the trend before it, is never OK, and is not folded."""
    store = ReadStoreDouble()
    store.growing("pool skerry", GIB, 4 * GIB)
    store.growing("pool jetty", GIB, 4 * GIB, full_in=100 * DAY)
    found = board_of(store)
    assert [(q.why, q.why.known, q.open) for q in found.quiet] == [(OkSeries.UNUSUAL, False, True)] * 2
    assert found.places == ()
    store.alert(SeriesKey("pool jetty", "space"), Concern.FULL, Priority.CAUTION, HOUR)
    assert [p.finding.key.subject for p in board_of(store).places] == ["pool jetty"]


def test_a_high_level_with_an_unknown_trend_is_in_the_open() -> None:
    """From 80 % on, whatever the reason is; below it, and with a known trend, it may be folded."""
    store = ReadStoreDouble()
    for used, no_end in ((79, NoEnd.UNCERTAIN), (80, NoEnd.UNCERTAIN), (95, NoEnd.TOO_FEW), (95, NoEnd.STILL)):
        store.level(f"pool {used} {no_end.value}", "space", used, 100, no_end=no_end)
    assert [q.open for q in board_of(store).quiet] == [False, True, True, False]


def test_what_fails_within_its_limits_is_not_ok() -> None:
    """A missing answer or a fault has no alert until its delay is over: it is counted apart, and never folded."""
    store = ReadStoreDouble()
    for made in (
        Answer(SeriesKey("service ringing-db", "answer"), answered=False, reason="connection refused"),
        Condition(SeriesKey("pool skerry", "health"), ok=False, reason="a disk is missing"),
        Answer(SeriesKey("service hide-hub", "answer"), answered=True, took_s=0.02),
        Condition(SeriesKey("pool jetty", "health"), ok=True),
    ):
        store.add(made, Finding(made.key, CONCERN[made.kind], store.now, None))
    board = board_of(store)
    assert [(q.key.subject, q.why, q.why.known, q.open) for q in board.quiet] == [
        ("service ringing-db", OkSeries.FAILING, False, True),
        ("pool skerry", OkSeries.FAILING, False, True),
        ("service hide-hub", OkSeries.ANSWERS, True, False),
        ("pool jetty", OkSeries.SOUND, True, False),
    ]
    assert by_when(board, UTC).startswith("Failing, within their limits: service ringing-db and pool skerry.")
    (group,) = open_groups([q for q in board.quiet if q.open], store.now, UTC)
    assert group.title == "Failing, within its limits"
    assert [words for _, _, words in group.items] == ["connection refused", "a disk is missing"]
    form = status_form(board, {})
    assert [(each["subject"], each["reason"]) for each in form["failing"]] == [
        ("service ringing-db", "failing within its limits"),
        ("pool skerry", "failing within its limits"),
    ]
    assert form["learning"] == []
    assert [each["subject"] for each in form["ok"]] == ["service hide-hub", "pool jetty"]


def test_a_condition_that_cannot_be_judged_is_not_ok() -> None:
    """While it is learned what is usual, and while there is nothing to measure: folded, and in words."""
    store = ReadStoreDouble()
    learning = Condition(SeriesKey("service hide-hub", "speed"), ok=True, facts=(("still learning", "1 of 72 hours"),))
    store.add(learning, Finding(learning.key, Concern.FAULTY, store.now, None))
    (quiet,) = board_of(store).quiet
    assert (quiet.why, quiet.why.known, quiet.open) == (OkSeries.UNJUDGED, False, False)
    assert summary(learning) == "speed still learning: 1 of 72 hours"
    assert by_when(board_of(store), UTC) == "Nothing is expected to fill up within a year."


def test_series_without_a_finding_is_not_known() -> None:
    """A series that was seen but not judged yet is not counted as well."""
    store = readstore.calm()
    store.found.clear()
    assert {q.why for q in board_of(store).quiet} == {OkSeries.LEARNING}


def test_end_beyond_a_year_is_no_end() -> None:
    """The time-left chart ends at a year."""
    store = ReadStoreDouble()
    far = timedelta(days=400)
    store.level("pool skerry", "space", GIB, 2 * GIB, full_in=(far, far, far))
    board = board_of(store)
    assert board.places == ()
    assert [q.why for q in board.quiet] == [OkSeries.NO_END]


def test_what_a_cause_holds_stands_beneath_it_and_nowhere_else() -> None:
    """A guest that is down with its pool is shown under the pool; when the pool is well again it stands by itself."""
    store = readstore.full()
    pool = SeriesKey("pool skerry", "space")
    held = {"guest hide-hub", "service hide-hub"}
    before = len(board_of(store).needing)
    store.raised[:] = [replace(a, held_by=pool) if a.key.subject in held else a for a in store.raised]
    needing = board_of(store).needing
    (cause,) = (s for s in needing if s.alert.key == pool)
    assert {s.alert.key.subject for s in cause.consequences} == held
    assert len(needing) == before - 2
    store.raised[:] = [a for a in store.raised if a.key != pool]
    assert held <= {s.alert.key.subject for s in board_of(store).needing}


def test_what_is_gone_for_good_has_no_place() -> None:
    """A guest that was removed is not counted as well for as long as its history is kept."""
    store = readstore.calm()
    gone = next(q for q in board_of(store).quiet if q.finding is not None)
    assert gone.finding is not None
    store.found.append(replace(gone.finding, concern=Concern.NOT_REPORTING, reason=GONE))
    board = board_of(store)
    assert gone.key not in {q.key for q in board.quiet}
    assert board.watched == len(store.all_series) - 1


def test_what_no_probe_could_look_at() -> None:
    """A probe that failed, and the parts that the others could not see; what they saw is not in the list."""
    facts = unseen_facts([Unseen("messages of the kernel", "no permission")])
    seen: list[Observation] = [
        Condition(SeriesKey("probe kernel-log", "runs"), ok=True, facts=(("other", "fact"), *facts)),
        Condition(SeriesKey("probe zfs", "runs"), ok=False, reason="zpool is not installed"),
        Condition(SeriesKey("probe smart", "sees all"), ok=False, reason="this needs root"),
        Condition(SeriesKey("guest hide-hub", "state"), ok=False, reason="it is paused"),
        Level(SeriesKey("probe box", "space"), 1, 2),
    ]
    assert list(not_observed(seen)) == [
        NotObserved("kernel-log", "messages of the kernel", "no permission"),
        NotObserved("zfs", "", "zpool is not installed"),
        NotObserved("smart", "", "this needs root"),
    ]
