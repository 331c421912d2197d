"""The rule about levels: when a forecast raises what, and what keeps it standing."""

from datetime import UTC, datetime, timedelta

import pytest

from watchkeeper.alerting.rules import FullRule, judge_full
from watchkeeper.model.alert import Priority
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import SeriesKey

NOW = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
KEY = SeriesKey("pool skerry", "space")
CAUTION, WARNING, ALARM = Priority
DAY = 86_400.0


def found(likely_d: float, *, earliest_d: float | None = None, lasted_d: float | None = 100.0) -> Forecast:
    """A forecast, in days from now."""
    now_s = NOW.timestamp()
    return Forecast(
        now_s,
        500.0,
        1000.0,
        earliest_s=now_s + (likely_d if earliest_d is None else earliest_d) * DAY,
        likely_s=now_s + likely_d * DAY,
        latest_s=now_s + 2 * likely_d * DAY,
        since_s=None if lasted_d is None else now_s - lasted_d * DAY,
    )


def judged(forecast: Forecast, standing: Priority | None = None, rule: FullRule = FullRule()) -> Priority | None:  # noqa: B008  frozen
    """The priority that is asked for."""
    return judge_full(KEY, forecast, NOW, rule, standing).priority


@pytest.mark.parametrize(("left_d", "expected"), [(31, None), (29, CAUTION), (6.9, WARNING), (0.9, ALARM), (0, ALARM)])
def test_the_likely_end_decides(left_d: float, expected: Priority | None) -> None:
    """30 days, 7 days and 24 hours."""
    assert judged(found(left_d)) is expected


@pytest.mark.parametrize(
    ("left_d", "lasted_d", "expected"),
    [
        (6, 6, WARNING),
        (6, 3.1, CAUTION),  # not yet for 0.57 of what is left
        (6, 3.4, WARNING),
        (0.9, 0.45, CAUTION),  # what has lasted for hours may be a job: not for as long yet as what is left
        (6, 1.5, None),
        (0.5, 0.1, None),
        (0.5, 0.3, CAUTION),
        (0.5, 0.45, ALARM),
        (0.08, 0.01, None),  # less than two hours are left, but a quarter of an hour may still be noise
        (0.08, 0.03, CAUTION),
        (0.08, 0.04, ALARM),  # half of what is left is enough here, since a beginning is found late
    ],
)
def test_a_growth_must_have_lasted(left_d: float, lasted_d: float, expected: Priority | None) -> None:
    """What has just begun may stop as soon: a third of the time left makes a caution, nearly all of it the rest."""
    assert judged(found(left_d, lasted_d=lasted_d)) is expected


def test_what_stands_needs_no_proof_but_gets_no_worse_without_it() -> None:
    """A burst during a warning does not make it an alarm; the warning goes on."""
    assert judged(found(0.6, lasted_d=0.1), WARNING) is WARNING
    assert judged(found(0.6, lasted_d=0.1), CAUTION) is CAUTION


def test_without_cautions_there_is_nothing_before_the_warning() -> None:
    """A caution that is switched off does not come in a warning's place."""
    assert judged(found(6, lasted_d=3), rule=FullRule(caution_s=None)) is None


def test_what_is_full_needs_no_trend() -> None:
    """Full is an alarm, whether a trend was found or not."""
    assert judged(found(0, lasted_d=None)) is ALARM


def test_a_warning_stands_while_the_end_may_still_be_so_near() -> None:
    """Likely 12 days, earliest 6: kept. Earliest 8, or likely beyond 21: eased to what the likely end asks for."""
    assert judged(found(8.7), WARNING) is WARNING  # the deadband of a quarter
    assert judged(found(12, earliest_d=6), WARNING) is WARNING
    assert judged(found(12, earliest_d=8), WARNING) is CAUTION
    assert judged(found(22, earliest_d=6), WARNING) is CAUTION
    assert judged(found(40, earliest_d=20), CAUTION) is CAUTION
    assert judged(found(100, earliest_d=20), CAUTION) is None
    assert judged(found(5, earliest_d=0.5), ALARM) is WARNING


def test_no_end_asks_for_nothing_and_says_why() -> None:
    """The reason of the finding is the forecast's; the instants are None."""
    seen = judge_full(KEY, Forecast(NOW.timestamp(), 5.0, 10.0, no_end=NoEnd.CLEARED), NOW, FullRule(), WARNING)
    assert (seen.priority, seen.ends_at, seen.reason) == (None, None, "cleared before it fills")


def test_the_finding_carries_the_interval() -> None:
    """Earliest, likely and latest as instants, and the forecast itself."""
    seen = judge_full(KEY, found(10, earliest_d=8), NOW, FullRule(), None)
    ends = (seen.earliest_at, seen.ends_at, seen.latest_at)
    assert ends == tuple(NOW + timedelta(days=d) for d in (8, 10, 20))
    assert seen.forecast is not None
