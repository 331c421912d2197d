"""Which parts of a level grew most, on histories whose growth is known."""

import pytest

from watchkeeper.alerting.top_growers import biggest, grown_since
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.model.observation import SeriesKey

START_S = 1.7e9
HOUR_S, DAY_S = 3_600.0, 86_400.0
GIB = 2.0**30


def grown(days: float, gib_a_day: float, *, start_s: float = START_S, base: float = 100.0) -> LevelHistory:
    """A part that grows at a steady pace, a sample every ten minutes."""
    history = LevelHistory()
    for step in range(int(days * 144)):
        history.add(start_s + step * 600, (base + gib_a_day * step / 144) * GIB, 1000 * GIB)
    return history


@pytest.mark.parametrize("days_back", [0.25, 3, 20, 70])
def test_growth_since_an_instant_is_found_in_every_grain(days_back: float) -> None:
    """Since hours, days and months ago: samples, hours and days give the same growth within a tenth."""
    history = grown(90, 2)
    since_s = START_S + 90 * DAY_S - 600 - days_back * DAY_S
    assert grown_since(history, since_s) / GIB == pytest.approx(2 * days_back, rel=0.1, abs=0.1)


def test_before_its_history_a_part_is_measured_from_its_first_sample() -> None:
    """A trend that began a little before the part was first seen counts what was seen of it."""
    assert grown_since(grown(10, 2), START_S - DAY_S) / GIB == pytest.approx(20, rel=0.05)


def test_a_part_that_is_new_has_grown_by_all_it_holds() -> None:
    """A guest that was imported in the middle of the trend took everything that it uses."""
    new = grown(1, 0, start_s=START_S + 9 * DAY_S, base=50)
    assert grown_since(new, START_S) / GIB == 50


def test_a_part_without_samples_has_not_grown() -> None:
    """Nothing known is nothing grown."""
    assert grown_since(LevelHistory(), START_S) == 0.0


def test_a_short_history_is_measured_in_its_samples() -> None:
    """Minutes after the start there are no hours yet."""
    assert grown_since(grown(7.5 / 144, 24), START_S - 60) / GIB == pytest.approx(1)


def test_the_three_biggest_are_named_and_what_explains_nothing_is_not() -> None:
    """Three at the most, the biggest first; what shrank, or took a hundredth, is left out."""
    pace = {"nest-cams": 8.0, "ringing-db": 1.0, "tide-log": 0.5, "hide-hub": 0.4, "spare": -3.0}
    parts = [(SeriesKey(f"dataset skerry/{name}", "data"), grown(10, gib)) for name, gib in pace.items()]
    found = biggest(parts, START_S)
    assert [each.key.subject for each in found] == [
        "dataset skerry/nest-cams",
        "dataset skerry/ringing-db",
        "dataset skerry/tide-log",
    ]
    assert found[0].growth / GIB == pytest.approx(80, rel=0.05)
    assert [each.key.subject for each in biggest([parts[0], (parts[3][0], grown(10, 0.1))], START_S)] == [
        "dataset skerry/nest-cams"
    ]
    assert biggest([], START_S) == ()
