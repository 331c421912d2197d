"""Rules: which priority the facts ask for."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from watchkeeper.alerting import rules
from watchkeeper.alerting.rules import FaultyRule, FullRule, NotAnsweringRule, NotReportingRule, OverdueRule, Rules
from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.model.alert import Concern, Delays, Priority
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import Answer, Condition, Deadline, SeriesKey

NOW = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
KEY = SeriesKey("service hide-hub", "answer")
CAUTION, WARNING, ALARM = Priority
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@pytest.mark.parametrize(
    ("left_s", "standing", "expected"),
    [
        (101, None, None),
        (100, None, CAUTION),
        (50, None, WARNING),
        (10, None, ALARM),
        (-5, None, ALARM),
        (120, CAUTION, CAUTION),  # inside the deadband of a quarter
        (126, CAUTION, None),
        (62, WARNING, WARNING),
        (63, WARNING, CAUTION),
        (120, WARNING, CAUTION),
        (12, ALARM, ALARM),
        (13, ALARM, WARNING),
        (62, CAUTION, CAUTION),  # a deadband never raises
    ],
)
def test_thresholds_and_their_deadband(left_s: float, standing: Priority | None, expected: Priority | None) -> None:
    """A priority holds from its threshold on, and once it stands until the time left is a quarter beyond it."""
    found = rules.within(left_s, 100, 50, 10, standing=standing, deadband=0.25)
    assert found == expected


def test_a_priority_can_be_switched_off() -> None:
    """None leaves a priority out, and the next one holds."""
    assert rules.within(5, 100, None, None) is CAUTION
    assert rules.within(5, None, None, None) is None


def test_a_recurring_deadline_is_told_when_it_is_missed() -> None:
    """A snapshot that is to come every day is a warning when it is due and an alarm a whole day later."""

    def at(age: timedelta) -> Priority | None:
        last = NOW - age
        seen = Deadline(KEY, due_at=last + DAY, last_at=last, period_s=DAY.total_seconds())
        return rules.judge_overdue(seen, NOW, NOW, OverdueRule()).priority

    assert [at(DAY - HOUR), at(DAY), at(2 * DAY - HOUR), at(2 * DAY)] == [None, WARNING, WARNING, ALARM]


def test_a_recurring_deadline_can_be_told_as_a_caution_first() -> None:
    """late_caution may lie before the other two, as a share of the period."""
    seen = Deadline(KEY, due_at=NOW - HOUR, period_s=DAY.total_seconds())
    found = rules.judge_overdue(seen, NOW, NOW, OverdueRule(late_caution=0.0, late_warning=0.5))
    assert (found.priority, found.since) == (CAUTION, NOW - HOUR)


def test_a_single_end_is_told_ahead() -> None:
    """A certificate is told 21 days, 7 days and a day before it runs out, and stays an alarm after it."""

    def at(left: timedelta) -> Priority | None:
        return rules.judge_overdue(Deadline(KEY, due_at=NOW + left), NOW, NOW, OverdueRule()).priority

    assert [at(22 * DAY), at(21 * DAY), at(7 * DAY), at(DAY), at(-DAY)] == [None, CAUTION, WARNING, ALARM, ALARM]


def test_what_has_never_happened_is_due_when_it_was_first_looked_for() -> None:
    """A directory without a single snapshot is overdue from the first look on, and says why."""
    seen = Deadline(KEY, due_at=None, period_s=DAY.total_seconds())
    found = rules.judge_overdue(seen, NOW - HOUR, NOW, OverdueRule())
    assert (found.priority, found.reason, found.ends_at) == (WARNING, "none found", NOW - HOUR)


def test_silence_grows_from_nothing_to_an_alarm() -> None:
    """A service is a warning after three minutes of silence and an alarm after an hour."""

    def after(silence: timedelta) -> Priority | None:
        seen = Answer(KEY, answered=False, reason="connection refused")
        return rules.judge_not_answering(seen, NOW - silence, NOW, NotAnsweringRule()).priority

    limit = timedelta(minutes=3)
    assert [after(limit / 2), after(limit), after(HOUR)] == [None, WARNING, ALARM]
    assert rules.judge_not_answering(Answer(KEY, answered=True), None, NOW, NotAnsweringRule()).priority is None
    assert rules.judge_not_answering(Answer(KEY, answered=False), None, NOW, NotAnsweringRule()).priority is None


def test_a_grave_condition_is_an_alarm() -> None:
    """Impaired is a warning, stopped is an alarm, OK is nothing."""

    def of(*, ok: bool, grave: bool) -> Priority | None:
        return rules.judge_faulty(Condition(KEY, ok, "why", grave), None, NOW, FaultyRule()).priority

    assert [of(ok=True, grave=True), of(ok=False, grave=False), of(ok=False, grave=True)] == [
        None,
        WARNING,
        ALARM,
    ]


def test_no_sample_for_three_intervals_is_stale() -> None:
    """Three of the probe's own intervals without a sample are an alert of its own."""
    last = NOW - timedelta(seconds=180)
    assert rules.judge_not_reporting(KEY, last, 60, NOW, NotReportingRule()).priority is WARNING
    fresh = rules.judge_not_reporting(KEY, last, 61, NOW, NotReportingRule())
    assert (fresh.priority, fresh.since, fresh.reason) == (None, None, "")


@pytest.mark.parametrize("concern", Concern)
def test_every_concern_has_its_rule_and_delays(concern: Concern) -> None:
    """The rule of a concern is found by its name."""
    assert isinstance(Rules().delays(concern), Delays)


@pytest.mark.parametrize("at_s", [None, 2.6e11, -7e10, float("inf")])
def test_an_instant_that_no_calendar_holds_is_none(at_s: float | None) -> None:
    """A forecast far beyond the year 9999 has no date."""
    assert rules.instant(at_s) is None
    assert rules.instant(0) == datetime(1970, 1, 1, tzinfo=UTC)


def test_the_default_thresholds_are_30_days_7_days_and_24_hours() -> None:
    """The defaults that the documentation promises for a fill forecast."""
    rule = FullRule()
    assert (rule.caution_s, rule.warning_s, rule.alarm_s) == (30 * 86_400, 7 * 86_400, 86_400)


@pytest.mark.parametrize(
    ("recorded_d", "lasted_d", "left_d", "expected"),
    [
        (5.0, 5.0, 5.1, WARNING),
        (5.0, 5.0, 6.0, CAUTION),  # nothing but one rise is known: it may be the rise of a week
        (5.0, 3.0, 5.1, WARNING),  # days of something else came before
        (8.5, 8.5, 6.9, WARNING),  # longer than a week
        (None, 5.0, 6.0, WARNING),
    ],
)
def test_one_rise_from_the_first_sample_on_may_be_part_of_a_weekly_cycle(
    recorded_d: float | None, lasted_d: float, left_d: float, expected: Priority
) -> None:
    """In the first week such a rise must have lasted for as long as is left."""
    now_s, day_s = NOW.timestamp(), DAY.total_seconds()
    likely_s = now_s + left_d * day_s
    found = Forecast(
        now_s, 500.0, 1000.0, likely_s, likely_s, likely_s, since_s=now_s - lasted_d * day_s,
        recorded_since_s=None if recorded_d is None else now_s - recorded_d * day_s,
    )  # fmt: skip
    assert rules.judge_full(KEY, found, NOW, FullRule(), None).priority is expected


@pytest.mark.parametrize(("spread", "allowed"), [(0.03, None), (0.1, CAUTION)])
def test_noise_after_a_first_start_is_no_alarm(spread: float, allowed: Priority | None) -> None:
    """In the first hour of a history noise looks like a growth at times: it is no warning, however wild, on 20 seeds.

    spread: standard deviation of the noise, as a share of the room that is left; independent samples, every 30 s.
    """
    told = []
    for seed in range(20):
        noise, history = np.random.default_rng(seed), LevelHistory()
        for step in range(120):
            at = NOW + timedelta(seconds=30 * step)
            history.add(at.timestamp(), 22 + 10 * noise.normal(0, spread), 32)
            seen = forecast(history, at.timestamp())
            told.append(rules.judge_full(KEY, seen, at, FullRule(), None).priority)
    assert max((each for each in told if each), default=None) in {None, allowed}
