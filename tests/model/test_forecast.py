"""Which growths are too short for a date."""

from datetime import UTC, datetime, timedelta

import pytest

from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.observation import SeriesKey

HOUR, DAY = 3_600.0, 86_400.0


@pytest.mark.parametrize(
    ("lasted_s", "left_s", "early"),
    [
        (7 * 60, 5 * HOUR, True),  # a process that has just started
        (7 * 60, 60 * DAY, True),
        (7 * 60, 14 * 60, False),  # filling now: the beginning may be found late
        (3 * HOUR, 5 * HOUR, False),  # within the tolerance of two hours
        (3 * HOUR, 6 * HOUR, True),
        (21 * HOUR, 30 * DAY, True),
        (22 * HOUR, 30 * DAY, False),  # most of a day: rarely a job
    ],
)
def test_how_long_a_growth_must_have_lasted(lasted_s: float, left_s: float, early: bool) -> None:  # noqa: FBT001
    """As long as the time left, or for most of a day."""
    found = Forecast(0.0, 1.0, 2.0, left_s, left_s, left_s, since_s=-lasted_s)
    assert found.early is early, timedelta(seconds=lasted_s)


def test_what_has_no_end_or_has_come_is_not_early() -> None:
    """There is nothing to wait for."""
    assert not Forecast(0.0, 1.0, 2.0, no_end=NoEnd.STILL).early
    assert not Forecast(0.0, 1.0, 2.0, 9.0, 9.0, 9.0).early
    assert not Forecast(0.0, 2.0, 2.0, 0.0, 0.0, 0.0, full=True, since_s=-60.0).early


def test_the_first_hour_of_a_record() -> None:
    """Only a record whose begin is known can be young."""
    for recorded_since_s, learning in ((None, False), (-60.0, True), (-3_599.0, True), (-3_600.0, False)):
        assert Forecast(0.0, 1.0, 2.0, recorded_since_s=recorded_since_s).learning is learning


def test_what_is_not_said_is_not_there() -> None:
    """A forecast of a level at rest names no cycle, bend, step or spread; a kept one was not warned of."""
    rest = Forecast(0.0, 1.0, 2.0)
    assert (rest.cycles, rest.bend, rest.spread, rest.steps, rest.full) == (0, 0.0, 0.0, (), False)
    kept = KeptForecast(SeriesKey("pool skerry", "space"), datetime(2026, 3, 1, tzinfo=UTC), 1.0, 2.0, 3.0, 1.0, 2.0)
    assert (kept.warned, kept.swing, kept.outcome) == (False, 0.0, None)
