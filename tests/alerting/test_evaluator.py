"""The evaluation of one series, from observations to moves."""

import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.support.solo import Outcome, Solo
from watchkeeper.alerting import evaluator
from watchkeeper.alerting.missing_data import GONE
from watchkeeper.alerting.rules import FullRule, NotAnsweringRule, Rules
from watchkeeper.model.alert import CONCERN, Alert, Concern, NotificationKind, Priority, State, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import Answer, Condition, Deadline, Kind, Level, Observation, SeriesKey

START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
KEY = SeriesKey("service hide-hub", "answer")
SECOND, MINUTE, HOUR, DAY = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
AFTER_A_MINUTE = Rules(not_answering=NotAnsweringRule(warning_s=60.0))


def watch(kind: Kind, interval_s: float = 60.0) -> Solo:
    """A judgement by the default rules, but that a minute of silence is told."""
    return Solo(KEY, kind, interval_s, AFTER_A_MINUTE)


def test_nothing_is_found_before_the_first_observation() -> None:
    """A series that has never been seen has no finding and no alert."""
    assert watch(Kind.ANSWER).judge(START) == Outcome()


def test_silence_counts_from_the_first_answer_that_failed() -> None:
    """Two failed answers a minute apart are a minute of silence; one that comes ends it."""
    judged = watch(Kind.ANSWER)
    down = Answer(KEY, answered=False, reason="connection refused")
    judged.take(down, START)
    assert judged.judge(START).transitions == ()
    judged.take(down, START + MINUTE)
    outcome = judged.judge(START + MINUTE)
    assert [m.notification for m in outcome.transitions] == [NotificationKind.RAISED]
    assert outcome.finding(Concern.NOT_ANSWERING).since == START
    judged.take(Answer(KEY, answered=True, took_s=0.1), START + 2 * MINUTE)
    assert [m.notification for m in judged.judge(START + 2 * MINUTE).transitions] == [NotificationKind.ENDED]
    assert judged.bad_since is None


def test_the_end_knows_from_when_until_when_it_lasted() -> None:
    """Also if the limit and the off-delay make the alert begin and end later; a new outage has its own times."""
    for kind, bad, good in (
        (Kind.ANSWER, Answer(KEY, answered=False), Answer(KEY, answered=True)),
        (Kind.CONDITION, Condition(KEY, ok=False), Condition(KEY, ok=True)),
    ):
        judged = watch(kind)
        concern = CONCERN[kind]

        def found(concern: Concern = concern, judged: Solo = judged, at: datetime = START) -> tuple[object, ...]:
            finding = judged.judge(at).finding(concern)
            return finding.since, finding.began_at, finding.over_at

        judged.take(good, START - MINUTE)
        assert found(at=START - MINUTE) == (None, None, None)
        judged.take(bad, START)
        judged.take(bad, START + MINUTE)
        assert found(at=START + MINUTE) == (START, None, None)
        judged.take(good, START + 68 * SECOND)
        assert found(at=START + HOUR) == (None, START, START + 68 * SECOND)
        judged.take(bad, START + 2 * HOUR)
        assert found(at=START + 2 * HOUR) == (START + 2 * HOUR, None, None)
        judged.take(good, START + 3 * HOUR)
        assert found(at=START + 3 * HOUR) == (None, START + 2 * HOUR, START + 3 * HOUR)


def test_a_faulty_condition_is_reported_at_once() -> None:
    """A failed disk needs no delay."""
    judged = watch(Kind.CONDITION)
    judged.take(Condition(KEY, ok=False, reason="one of two disks failed"), START)
    assert judged.judge(START).transitions[0].after.priority is Priority.WARNING


def test_a_deadline_passes_without_any_event() -> None:
    """Re-judging alone notices that a snapshot is overdue."""
    judged = watch(Kind.DEADLINE, interval_s=DAY.total_seconds())
    judged.take(Deadline(KEY, due_at=START + HOUR, period_s=DAY.total_seconds()), START)
    assert judged.judge(START).transitions == ()
    assert judged.judge(START + HOUR).transitions[0].after.priority is Priority.WARNING


def test_a_level_that_fills_by_an_exact_line_is_told_in_time() -> None:
    """1 GiB an hour into 1 TiB for four days, 100 h left: a warning, with the exact time to full within a hundredth."""
    judged = watch(Kind.LEVEL)
    gib = 2.0**30
    for hour in range(96 * 6):
        judged.take(Level(KEY, 828 * gib + hour / 6 * gib, 1024 * gib), START + hour * HOUR / 6)
    now = START + 95 * HOUR + 50 * MINUTE
    outcome = judged.judge(now)
    found = outcome.finding(Concern.FULL)
    assert found.priority is Priority.WARNING
    assert found.ends_at is not None
    assert (found.ends_at - START) / HOUR == pytest.approx(196, rel=0.01)


def test_a_forecast_is_kept_until_the_next_sample() -> None:
    """Re-judging on a timer costs no second forecast."""
    judged = watch(Kind.LEVEL)
    judged.take(Level(KEY, 1, 2), START)
    judged.judge(START)
    kept = judged.forecast
    judged.judge(START + SECOND)
    assert judged.forecast is kept
    judged.take(Level(KEY, 1, 2), START + MINUTE)
    judged.judge(START + MINUTE)
    assert judged.forecast is not kept, "the first samples are too few for a forecast: each may be enough"


def calm(limits: Rules = AFTER_A_MINUTE) -> Solo:
    """A level that has not moved for half an hour, and has just been forecast."""
    judged = Solo(KEY, Kind.LEVEL, 60.0, limits)
    for minute in range(31):
        judged.take(Level(KEY, 50.0, 100.0), START - (30 - minute) * MINUTE)
    judged.judge(START)
    return judged


SOON = Rules(full=FullRule(caution_s=None, warning_s=30.0, alarm_s=10.0))


def forecast_again(judged: Solo, seen: Level, at: datetime) -> bool:
    """Whether a sample has a forecast of its own."""
    known = judged.forecast
    judged.take(seen, at)
    judged.judge(at)
    return judged.forecast is not known


def test_the_forecast_of_a_level_that_hardly_moves_holds_for_five_minutes() -> None:
    """A forecast is the most expensive part of a sample, and this one has not changed."""
    judged = calm()
    for minute in range(1, 5):
        assert not forecast_again(judged, Level(KEY, 50.0 + 1e-4 * minute, 100.0), START + minute * MINUTE)
    assert forecast_again(judged, Level(KEY, 50.0, 100.0), START + 5 * MINUTE)
    assert not forecast_again(judged, Level(KEY, 50.0, 100.0), START + 6 * MINUTE)


def test_a_review_forecasts_again_when_the_forecast_is_too_old() -> None:
    """Once: the newest sample is in it then."""
    judged = calm()
    known = judged.forecast
    assert not forecast_again(judged, Level(KEY, 50.0, 100.0), START + 4 * MINUTE)
    judged.judge(START + 5 * MINUTE)
    assert judged.forecast is not known
    known = judged.forecast
    judged.judge(START + HOUR)
    assert judged.forecast is known


def test_a_level_that_moves_is_forecast_at_once() -> None:
    """Up, down, or with another capacity; 30 days are the widest limit, so 1/8640 of what is free is a move."""
    for seen in (Level(KEY, 50.006, 100.0), Level(KEY, 49.994, 100.0), Level(KEY, 50.0, 101.0)):
        assert forecast_again(calm(), seen, START + SECOND), seen
    assert not forecast_again(calm(), Level(KEY, 50.005, 100.0), START + SECOND)


def test_narrower_limits_allow_larger_moves() -> None:
    """Without a caution, seven days are the widest limit; where nothing can be raised, any move waits."""
    week = Rules(full=FullRule(caution_s=None))
    assert not forecast_again(calm(week), Level(KEY, 50.02, 100.0), START + SECOND)
    assert forecast_again(calm(week), Level(KEY, 50.03, 100.0), START + SECOND)
    nothing = Rules(full=FullRule(caution_s=None, warning_s=None, alarm_s=None))
    assert not forecast_again(calm(nothing), Level(KEY, 99.0, 100.0), START + SECOND)


def test_limits_of_seconds_leave_no_time_to_hold_a_forecast() -> None:
    """A thousandth of the widest limit: of a day 86 s, of 30 s nothing."""
    day = Rules(full=FullRule(caution_s=None, warning_s=None))
    assert not forecast_again(calm(day), Level(KEY, 50.0, 100.0), START + 86 * SECOND)
    assert forecast_again(calm(day), Level(KEY, 50.0, 100.0), START + 87 * SECOND)
    assert forecast_again(calm(SOON), Level(KEY, 50.0, 100.0), START + SECOND)


def test_a_fill_within_a_minute_is_reported_before_it_is_full() -> None:
    """64 MiB at 1 MiB a second, with limits of seconds."""
    judged = Solo(KEY, Kind.LEVEL, 1.0, SOON)
    raised = list[Transition]()
    for second in range(62):
        judged.take(Level(KEY, float(second), 64.0), START + second * SECOND)
        raised += judged.judge(START + second * SECOND).transitions
    assert [each.after.priority for each in raised] == [Priority.WARNING, Priority.ALARM]


def test_a_forecast_is_not_used_before_it_was_made() -> None:
    """After the clock was set back."""
    assert forecast_again(calm(), Level(KEY, 50.0, 100.0), START - SECOND)


def test_an_active_alert_is_judged_by_each_sample() -> None:
    """It must neither last longer nor become more urgent later because the level hardly moved."""
    judged = calm()
    at = START + SECOND
    judged.take(Level(KEY, 100.0, 100.0), at)
    assert judged.judge(at).transitions[0].after.priority is Priority.ALARM
    assert forecast_again(judged, Level(KEY, 100.0, 100.0), at + SECOND)


def test_nothing_is_raised_by_a_forecast_without_the_newest_sample(monkeypatch: pytest.MonkeyPatch) -> None:
    """While time passes, an older forecast comes within a limit; the newest sample says that the end is farther."""
    judged, day_s = calm(), DAY.total_seconds()

    def likely_in(days: float) -> None:
        def made(_: object, now_s: float) -> Forecast:
            likely_s = now_s + days * day_s
            return Forecast(now_s, 50.0, 100.0, likely_s - day_s, likely_s, likely_s + day_s)

        monkeypatch.setattr("watchkeeper.alerting.evaluator.exhaustion.forecast", made)

    likely_in(30 + 1 / 1440)
    assert forecast_again(judged, Level(KEY, 51.0, 100.0), START + MINUTE)
    likely_in(31)
    judged.forecast = replace(judged.forecast, used=51.0) if judged.forecast else None
    judged.take(Level(KEY, 51.0, 100.0), START + 3 * MINUTE)
    assert judged.judge(START + 3 * MINUTE).finding(Concern.FULL).priority is None
    assert judged.forecast is not None
    assert judged.forecast.likely_s == (START + 3 * MINUTE + 31 * DAY).timestamp()


@pytest.mark.parametrize("gib_a_day", [6.0, 200.0])
def test_a_growth_is_raised_as_soon_as_if_each_sample_were_forecast(
    gib_a_day: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """100 GiB with 12 free begin to grow after a quiet day: the same priorities, at most five minutes later."""

    def raises() -> list[tuple[Priority | None, datetime]]:
        judged, found, noise = watch(Kind.LEVEL), [], random.Random(7)
        for minute in range(0, 2 * 1440, 2):
            grown = max(minute - 1440, 0) / 1440 * gib_a_day
            at = START + minute * MINUTE
            judged.take(Level(KEY, min(88 + grown + noise.gauss(0, 1e-4), 100.0), 100.0), at)
            found += [(m.after.priority, at) for m in judged.judge(at).transitions if m.notification]
        return found

    held = raises()
    assert held
    monkeypatch.setattr(evaluator, "FORECAST_S", 0.0)
    exact = raises()
    assert [priority for priority, _ in held] == [priority for priority, _ in exact]
    assert all(abs(ours - theirs) <= 5 * MINUTE for (_, ours), (_, theirs) in zip(held, exact, strict=True))


def test_three_missed_samples_are_an_alert_of_their_own() -> None:
    """A missing series is reported after three intervals, and the end when a sample arrives again."""
    judged = watch(Kind.CONDITION)
    judged.take(Condition(KEY, ok=True), START)
    assert judged.judge(START + 3 * MINUTE - SECOND).transitions == ()
    raised = judged.judge(START + 3 * MINUTE).transitions
    assert [(m.after.concern, m.notification) for m in raised] == [(Concern.NOT_REPORTING, NotificationKind.RAISED)]
    judged.take(Condition(KEY, ok=True), START + 4 * MINUTE)
    assert judged.judge(START + 4 * MINUTE).transitions[0].notification is NotificationKind.ENDED


def test_a_series_is_not_stale_while_its_probe_has_not_looked() -> None:
    """A probe that has stopped is told once, not once for each of its series."""
    judged = watch(Kind.CONDITION)
    judged.take(Condition(KEY, ok=True), START)
    assert judged.judge(START + HOUR, probe_seen_at=START + MINUTE).transitions == ()
    assert judged.judge(START + HOUR, probe_seen_at=START + HOUR).transitions[0].after.concern is Concern.NOT_REPORTING


def test_a_series_without_an_interval_is_never_stale() -> None:
    """Where no sample is due, none is missed."""
    judged = watch(Kind.CONDITION, interval_s=float("inf"))
    judged.take(Condition(KEY, ok=True), START)
    assert [f.concern for f in judged.judge(START + 365 * DAY).findings] == [Concern.FAULTY]


def test_going_on_after_a_restart_keeps_the_alert_and_since_when() -> None:
    """A restart during a silence tells nothing twice, and the silence still counts from its start."""
    down = Answer(KEY, answered=False, reason="connection refused")
    before = watch(Kind.ANSWER)
    before.take(down, START)
    before.take(down, START + MINUTE)
    found = before.judge(START + MINUTE).finding(Concern.NOT_ANSWERING)
    after = Solo(KEY, Kind.ANSWER, 60.0, AFTER_A_MINUTE, before.alerts)
    after.resume(down, START, found, START + 30 * MINUTE)
    after.take(down, START + 30 * MINUTE)
    outcome = after.judge(START + 30 * MINUTE)
    assert outcome.transitions == ()
    assert outcome.finding(Concern.NOT_ANSWERING).since == START


def test_from_when_until_when_it_lasted_is_known_after_a_restart() -> None:
    """The finding from before it has both times; a new outage has its own."""
    found = Finding(KEY, Concern.NOT_ANSWERING, START + HOUR, None, began_at=START, over_at=START + 68 * SECOND)
    judged = watch(Kind.ANSWER)
    judged.resume(Answer(KEY, answered=True), START, found, START + 2 * HOUR)
    judged.take(Answer(KEY, answered=True), START + 2 * HOUR)
    after = judged.judge(START + 2 * HOUR).finding(Concern.NOT_ANSWERING)
    assert (after.began_at, after.over_at) == (START, START + 68 * SECOND)
    judged.take(Answer(KEY, answered=False), START + 3 * HOUR)
    assert judged.judge(START + 3 * HOUR).finding(Concern.NOT_ANSWERING).began_at is None


def test_the_time_away_is_not_counted_as_missed_samples() -> None:
    """After three days without power nothing is stale: nobody looked."""
    judged = watch(Kind.CONDITION)
    judged.resume(Condition(KEY, ok=True), START, None, START + 3 * DAY)
    assert judged.judge(START + 3 * DAY).transitions == ()


def test_a_gap_before_the_first_observation_changes_nothing() -> None:
    """There is nothing to shift."""
    judged = watch(Kind.CONDITION)
    judged.bridge(DAY, START, look_again=True)
    assert judged.judge(START) == Outcome()


def test_what_was_seen_before_a_restart_is_not_judged_again() -> None:
    """A service that was silent before three days without power may be back: nothing gets worse before a look."""
    judged = watch(Kind.ANSWER)
    found = Finding(KEY, Concern.NOT_ANSWERING, START, None, since=START)
    judged.resume(Answer(KEY, answered=False), START, found, START + 3 * DAY)
    assert [f.concern for f in judged.judge(START + 3 * DAY).findings] == [Concern.NOT_REPORTING]


@pytest.mark.parametrize(
    "seen",
    [
        Level(KEY, 1, 2),
        Deadline(KEY, due_at=START),
        Answer(KEY, answered=True),
        Condition(KEY, ok=True),
    ],
)
def test_each_kind_raises_its_own_concern(seen: Observation) -> None:
    """The four kinds have four concerns, and every series has the fifth."""
    judged = Solo(KEY, seen.kind, 60, Rules())
    judged.take(seen, START)
    assert [f.concern for f in judged.judge(START).findings] == [CONCERN[seen.kind], Concern.NOT_REPORTING]


def full_level(**more: Any) -> Level:
    """A level with nothing left."""
    return Level(KEY, 1.0, 1.0, **more)


def test_a_part_is_recorded_and_never_judged() -> None:
    """A data set is full when its pool is, and it may be destroyed: neither is told of the part."""
    judged = watch(Kind.LEVEL)
    judged.take(full_level(part_of=SeriesKey("pool skerry", "space")), START)
    assert judged.judge(START + DAY) == Outcome()
    assert len(judged.history) == 1


def test_what_may_be_full_is_only_told_when_no_sample_comes() -> None:
    """A volume group that is wholly given away is as it should be; one that is no longer seen is not."""
    judged = watch(Kind.LEVEL)
    judged.take(full_level(not_judged=True), START)
    assert [f.concern for f in judged.judge(START).findings] == [Concern.NOT_REPORTING]
    assert [m.after.concern for m in judged.judge(START + DAY).transitions] == [Concern.NOT_REPORTING]


def missed(judged: Solo, hours: int) -> datetime:
    """Let a probe run well once in an hour, without the series. Returns the last time."""
    for hour in range(1, hours + 1):
        judged.judge(START + hour * HOUR, START + hour * HOUR)
    return START + hours * HOUR


def test_what_is_missed_for_a_week_is_removed_until_it_is_seen() -> None:
    """All that it was told for ends with one reason; it is over once that is known; a sample makes it as it was."""
    judged = watch(Kind.CONDITION, interval_s=HOUR.total_seconds())
    judged.take(Condition(KEY, ok=False, reason="paused"), START)
    at = missed(judged, 3 + 7 * 24)
    assert not judged.gone
    assert {a.standing for a in judged.alerts} == {True}
    assert judged.missed(at)
    outcome = judged.judge(at + HOUR, at + HOUR)
    assert [m.notification for m in outcome.transitions] == [NotificationKind.ENDED, NotificationKind.ENDED]
    assert {f.reason for f in outcome.findings} == {GONE}
    assert (judged.gone, judged.over) == (True, False)
    for concern in judged.concerns:
        judged.acknowledge(concern, at + HOUR)
    assert judged.over
    judged.take(Condition(KEY, ok=True), at + 2 * HOUR)
    assert not judged.judge(at + 2 * HOUR, at + 2 * HOUR).transitions
    assert not judged.over


def test_what_was_missed_before_a_restart_is_not_back_by_it() -> None:
    """The alert stands on until the series is seen, or is missed for long enough once more."""
    before = watch(Kind.CONDITION, interval_s=HOUR.total_seconds())
    before.take(Condition(KEY, ok=True), START)
    at = missed(before, 10)
    judged = Solo(KEY, Kind.CONDITION, 3600.0, Rules(), before.alerts)
    judged.resume(Condition(KEY, ok=True), START, None, at)
    for hour in range(6):
        assert not judged.judge(at + hour * HOUR, at + hour * HOUR).transitions
    assert judged.alert(Concern.NOT_REPORTING).standing
    judged.take(Condition(KEY, ok=True), at + 6 * HOUR)
    assert [m.notification for m in judged.judge(at + 6 * HOUR, at + 6 * HOUR).transitions] == [NotificationKind.ENDED]


def test_an_alert_that_ends_ends_the_count_of_what_is_missed() -> None:
    """What counted as back meanwhile has not been gone for a week."""
    judged = watch(Kind.CONDITION, interval_s=HOUR.total_seconds())
    judged.take(Condition(KEY, ok=True), START)
    missed(judged, 6 * 24)
    judged.book.put(Alert(KEY, Concern.NOT_REPORTING))
    for hour in range(6 * 24, 12 * 24):
        judged.judge(START + hour * HOUR, START + hour * HOUR)
    assert not judged.gone


def test_an_alert_from_the_future_counts_for_nothing() -> None:
    """The clock was set back while the host was off: the week begins at the start."""
    stale = Alert(
        KEY,
        Concern.NOT_REPORTING,
        State.ACTIVE,
        Priority.WARNING,
        1,
        raised_at=START + DAY,
        notified_priority=Priority.WARNING,
    )
    judged = Solo(KEY, Kind.CONDITION, HOUR.total_seconds(), Rules(), [stale])
    judged.resume(Condition(KEY, ok=True), START, None, START)
    for hour in range(1, 7 * 24 + 2):
        assert not judged.gone
        judged.judge(START + hour * HOUR, START + hour * HOUR)
    assert judged.gone
