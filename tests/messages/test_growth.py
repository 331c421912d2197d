"""Growth in words."""

from dataclasses import replace
from datetime import UTC

import numpy as np

from tests.forecast.levels import START_S, every, seen
from watchkeeper.messages.growth import describe, room_words
from watchkeeper.model.forecast import Forecast, Step, UnusualGrowth
from watchkeeper.model.observation import Level, SeriesKey, Unit
from watchkeeper.model.units import DAY_S

GIB = 2.0**30
NOW_S = START_S + 20 * DAY_S
PLAIN = Forecast(NOW_S, 500 * GIB, 1000 * GIB, growth_per_day=11 * GIB, since_s=NOW_S - 3 * DAY_S)


def said(found: Forecast) -> str:
    """In bytes and UTC."""
    return describe(found, Unit.BYTES, UTC)


def test_growth_has_its_rate_and_its_start() -> None:
    """How much a day, since when, and whether it accelerates or slows down."""
    assert said(PLAIN) == "growing 11 GiB a day since Sun 18 Jan"
    assert said(replace(PLAIN, bend=1e6)) == "growing 11 GiB a day, accelerating, since Sun 18 Jan"
    assert said(replace(PLAIN, bend=-1e6)) == "growing 11 GiB a day, slowing down, since Sun 18 Jan"
    assert said(replace(PLAIN, growth_per_day=-2 * GIB)) == "shrinking 2 GiB a day since Sun 18 Jan"


def test_a_drop_is_no_rate() -> None:
    """A pool of 2 TiB does not shrink by 5.79 TiB a day: it was emptied at once."""
    assert said(replace(PLAIN, growth_per_day=-5.79 * 1024 * GIB)) == ""


def test_a_rate_that_will_not_last_a_day_is_given_for_less() -> None:
    """For a level that fills within hours the rate is per hour, within minutes per minute."""
    fast = replace(PLAIN, growth_per_day=1440 * GIB)
    assert said(replace(fast, likely_s=NOW_S + 2 * DAY_S)).startswith("growing 1.41 TiB a day since")
    assert said(replace(fast, likely_s=NOW_S + DAY_S / 2)).startswith("growing 60 GiB an hour since")
    assert said(replace(fast, likely_s=NOW_S + 600)).startswith("growing 1 GiB a minute since")


def test_a_tiny_change_is_not_mentioned() -> None:
    """No trend, a trend of a ten-thousandth, and a smaller step give no text."""
    assert said(replace(PLAIN, growth_per_day=None)) == ""
    assert said(replace(PLAIN, growth_per_day=GIB / 100)) == ""
    assert said(replace(PLAIN, growth_per_day=0.0, steps=(Step(NOW_S - DAY_S, NOW_S, 1e6),))) == ""


def test_cycles_have_their_hour() -> None:
    """A daily drop with its hour, a weekly one with its day, others with their length; a swing without a drop."""
    still = replace(PLAIN, growth_per_day=None, cycles=3)
    six = START_S + 19.25 * DAY_S
    assert said(replace(still, cycle_s=DAY_S, pruned_s=six)) == "drops every day about 06:00"
    assert said(replace(still, cycle_s=7 * DAY_S, pruned_s=six)) == "drops every Tue about 06:00"
    assert said(replace(still, cycle_s=2 * DAY_S, pruned_s=six)) == "drops every 2 days"
    assert said(replace(still, cycle_s=7 * DAY_S)) == "rises and falls every week"


def test_a_rhythm_is_named_after_three_rounds() -> None:
    """Two rounds agree by chance: their length is used for the forecast, and nothing is said."""
    daily = replace(PLAIN, growth_per_day=None, cycle_s=DAY_S)
    assert [said(replace(daily, cycles=count)) for count in (0, 2)] == ["", ""]
    assert said(replace(daily, cycles=3)) == "rises and falls every day"


def test_a_recent_step_is_reported_as_not_counted() -> None:
    """The largest step of the last two weeks; older ones are forgotten."""
    at = NOW_S - 2.5 * DAY_S
    steps = (Step(NOW_S - 18 * DAY_S, at, 300 * GIB), Step(at, at + 7200, 80 * GIB), Step(at, at, 5 * GIB))
    assert said(replace(PLAIN, steps=steps)).endswith("; not counted: one rise of 80 GiB on Sun 18 Jan")
    gone = (Step(at, at, -80 * GIB),)
    assert "one drop of 80 GiB on" in said(replace(PLAIN, steps=gone))
    assert said(replace(PLAIN, steps=(Step(1e12, 1e12, 80 * GIB),))) == said(PLAIN)


def test_a_level_that_drops_each_morning_says_so() -> None:
    """From samples to words: the ramp of `nest-cams` drops at six."""
    t = every(10, 20)
    found = seen(t, (300 + 10 * t + 100 * ((t - 0.25) % 1)) * GIB, 1000 * GIB)
    assert said(found) == "growing 10 GiB a day since Thu 1 Jan; drops every day about 06:00"


def test_counts_are_written_as_counts() -> None:
    """Inodes are a number, not a size."""
    t = np.arange(0, 10, 1 / 24)
    assert describe(seen(t, 1e5 + 5e3 * t, 1e6), Unit.COUNT, UTC) == "growing 5,000 a day since Thu 1 Jan"


def test_an_unusual_growth_replaces_the_trend_of_the_time_before() -> None:
    """Since when, and how long at this rate; a date that still stands keeps its own growth beside it."""
    young = replace(PLAIN, unusual=UnusualGrowth(NOW_S - 7200, 240 * GIB, NOW_S + 2 * DAY_S))
    fast = "growing unusually fast since Tue 20 Jan 22:00; at this rate, 240 GiB a day, full in about 2 days"
    assert said(young) == fast
    assert (
        said(replace(young, likely_s=NOW_S + 90 * DAY_S))
        == f"{fast}; before that growing 11 GiB a day since Sun 18 Jan"
    )


SKERRY = Level(SeriesKey("pool skerry", "space"), 500 * GIB, 1000 * GIB)


def test_how_much_must_go_for_some_more_time() -> None:
    """Two weeks, or less where that would be most of what is there; nothing of what is no space, or does not grow."""
    assert room_words(PLAIN, SKERRY) == "Freeing 154 GiB gives 2 more weeks at this rate."
    fast = replace(PLAIN, growth_per_day=100 * GIB)
    assert room_words(fast, SKERRY) == "Freeing 200 GiB gives 2 more days at this rate."
    assert (
        room_words(replace(PLAIN, growth_per_day=900 * GIB), SKERRY)
        == "Freeing 225 GiB gives 6 more hours at this rate."
    )
    assert room_words(replace(PLAIN, growth_per_day=2000 * GIB), SKERRY) == ""
    in_guest = replace(SKERRY, key=SeriesKey("guest hide-hub", "space on /srv"))
    assert room_words(PLAIN, in_guest) == room_words(PLAIN, SKERRY)
    for none in (None, replace(PLAIN, growth_per_day=None), replace(PLAIN, growth_per_day=-1.0 * GIB)):
        assert room_words(none, SKERRY) == ""
    for other in (
        replace(SKERRY, key=SeriesKey("memory", "in use")), replace(SKERRY, unit=Unit.COUNT),
    ):  # fmt: skip
        assert room_words(PLAIN, other) == ""
