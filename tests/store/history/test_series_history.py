"""The whole history of a series from samples, hours and days, as if all of it were still there."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tests.store.material import DAY, HIDE_HUB, HOUR, MINUTE, SKERRY, START, level
from watchkeeper.forecast.history import RECENT, LevelHistory
from watchkeeper.model.observation import Answer, Condition, Level
from watchkeeper.model.records import Commit, LevelSamples, Sample, Seen
from watchkeeper.store import Store
from watchkeeper.store.history.retention_limits import RetentionLimits

MIDNIGHT = datetime(2026, 3, 1, tzinfo=UTC)
NOON = MIDNIGHT + 12 * HOUR
FAR = MIDNIGHT + 4000 * DAY


def _at_s(at: datetime) -> float:
    return at.timestamp()


async def _write(store: Store, values: list[float], every: timedelta, start: datetime = MIDNIGHT) -> None:
    await store.commit(Commit(seen=tuple(level(value, start + n * every) for n, value in enumerate(values))))


# Samples --------------------------------------------------------------------------------------------------------------


async def test_an_hour_stands_as_its_least_and_most(store: Store) -> None:
    """In the order of its movement, with its capacity; samples that are still stored are returned unchanged."""
    await _write(store, [1.0, 5.0, 2.0, 9.0], 15 * MINUTE)  # rises
    await _write(store, [9.0, 8.0, 0.0, 1.0], 15 * MINUTE, MIDNIGHT + HOUR)  # falls
    await _write(store, [4.0, 4.0], 30 * MINUTE, MIDNIGHT + 2 * HOUR)  # stays
    await _write(store, [7.0], HOUR, MIDNIGHT + 3 * HOUR + 10 * MINUTE)  # once
    await _write(store, [6.0, 6.5], MINUTE, MIDNIGHT + 4 * HOUR)  # kept
    await store.keep(RetentionLimits(samples=MIDNIGHT + 4 * HOUR))
    found = await store.samples(SKERRY, MIDNIGHT, FAR)
    assert [(s.at_s - _at_s(MIDNIGHT), s.value) for s in found] == [
        *((900.0, 1.0), (2700.0, 9.0)),
        *((3600.0 + 900, 9.0), (3600.0 + 2700, 0.0)),
        (2 * 3600.0 + 1800, 4.0),
        (3 * 3600.0 + 600, 7.0),
        *((4 * 3600.0, 6.0), (4 * 3600.0 + 60, 6.5)),
    ]
    assert {s.bound for s in found} == {1000.0}


async def test_both_ends_are_included_and_no_more(store: Store) -> None:
    """The values that represent an hour count by their own time."""
    await _write(store, [1.0, 2.0, 3.0, 4.0] * 3, 15 * MINUTE)
    await store.keep(RetentionLimits(samples=FAR))
    found = await store.samples(SKERRY, MIDNIGHT + 45 * MINUTE, MIDNIGHT + HOUR + 15 * MINUTE)
    assert [s.at_s - _at_s(MIDNIGHT) for s in found] == [2700.0, 4500.0]


async def test_a_silence_within_an_hour_is_still_seen(store: Store) -> None:
    """An answer that did not come leaves a sample without a value, also in the hour's representation."""
    told = [True, False, True, True]
    seen = [
        Seen(MIDNIGHT + n * MINUTE, Answer(HIDE_HUB, x, took_s=0.5 if x else None), "hub", 60.0)
        for n, x in enumerate(told)
    ]
    silent = [Seen(MIDNIGHT + HOUR + n * MINUTE, Answer(HIDE_HUB, answered=False), "hub", 60.0) for n in range(3)]
    await store.commit(Commit(seen=(*seen, *silent)))
    await store.keep(RetentionLimits(samples=FAR))
    first, second = _at_s(MIDNIGHT), _at_s(MIDNIGHT + HOUR)
    assert await store.samples(HIDE_HUB, MIDNIGHT, FAR) == [
        Sample(first + 180, 0.5, None),
        Sample(first + 1800, None, None),
        Sample(second + 120, None, None),
        Sample(second + 1800, None, None),
    ]


async def test_a_faulty_moment_is_still_seen(store: Store) -> None:
    """A condition that was faulty for a minute is faulty in its hour and in its day too."""
    seen = [Seen(MIDNIGHT + n * MINUTE, Condition(HIDE_HUB, ok=n != 7), "hub", 60.0) for n in range(60)]
    await store.commit(Commit(seen=tuple(seen)))
    for horizons in (RetentionLimits(samples=FAR), RetentionLimits(hours=FAR)):
        await store.keep(horizons)
        assert [s.value for s in await store.samples(HIDE_HUB, MIDNIGHT, FAR)] == [0.0, 1.0]


async def test_late_samples_stand_among_the_hours(store: Store) -> None:
    """A sample that arrived after its hour was rolled up is read in its place, and is later added to the hour."""
    await _write(store, [1.0, 3.0], 30 * MINUTE)
    await store.keep(RetentionLimits(samples=FAR))
    await store.commit(Commit(seen=(level(9.0, MIDNIGHT + 20 * MINUTE),)))
    assert [s.value for s in await store.samples(SKERRY, MIDNIGHT, FAR)] == [1.0, 9.0, 3.0]
    await store.keep(RetentionLimits(samples=FAR))
    assert [s.value for s in await store.samples(SKERRY, MIDNIGHT, FAR)] == [9.0, 1.0]


# Buckets --------------------------------------------------------------------------------------------------------------


async def test_stretches_are_the_same_before_and_after(store: Store) -> None:
    """A chart in buckets of whole hours shows the same from samples, from hours, and from both."""
    values = [float(n * 37 % 101) for n in range(48 * 60)]
    await _write(store, values, MINUTE)
    before = await store.samples_thinned(SKERRY, MIDNIGHT, MIDNIGHT + 2 * DAY, 12)
    for cut in (MIDNIGHT + 19 * HOUR, MIDNIGHT + 2 * DAY):
        await store.keep(RetentionLimits(samples=cut))
        assert await store.samples_thinned(SKERRY, MIDNIGHT, MIDNIGHT + 2 * DAY, 12) == before
    assert sum(each.samples for each in before) == len(values)


async def test_no_stretch_is_finer_than_what_is_kept(store: Store) -> None:
    """If there are only hours, a bucket is an hour; if there are only days, a day."""
    await _write(store, [1.0, 2.0, 3.0, 4.0] * 48, 15 * MINUTE)
    await store.keep(RetentionLimits(samples=FAR))
    hours = await store.samples_thinned(SKERRY, MIDNIGHT, MIDNIGHT + 2 * DAY, 400)
    assert [(b.width_s, b.samples, b.least, b.mean, b.most, b.last) for b in hours] == [
        (3600.0, 4, 1.0, 2.5, 4.0, 4.0)
    ] * 48
    await store.keep(RetentionLimits(hours=FAR))
    days = await store.samples_thinned(SKERRY, MIDNIGHT, MIDNIGHT + 2 * DAY, 400)
    assert [(b.width_s, b.samples, b.mean) for b in days] == [(86400.0, 96, 2.5)] * 2
    assert days[0].last_s == _at_s(MIDNIGHT + DAY - 15 * MINUTE)


async def test_a_stretch_of_several_grains_is_put_together(store: Store) -> None:
    """Late samples, hours and days of one bucket add up; a missing answer counts; the newest value is the last."""
    await _write(store, [2.0, 4.0], HOUR)
    await store.keep(RetentionLimits(samples=FAR, hours=FAR))
    await _write(store, [1.0], HOUR, MIDNIGHT + 13 * HOUR)
    await store.keep(RetentionLimits(samples=FAR))
    await _write(store, [9.0], HOUR, MIDNIGHT + 14 * HOUR)
    (found,) = await store.samples_thinned(SKERRY, MIDNIGHT, MIDNIGHT + DAY, 1)
    assert (found.samples, found.without, found.least, found.mean, found.most) == (4, 0, 1.0, 4.0, 9.0)
    assert (found.last, found.last_s) == (9.0, _at_s(MIDNIGHT + 14 * HOUR))


async def test_a_stretch_without_any_value(store: Store) -> None:
    """Missing answers alone, in hours and late samples, have no mean."""
    for at in (MIDNIGHT, MIDNIGHT + MINUTE):
        await store.commit(Commit(seen=(Seen(at, Answer(HIDE_HUB, answered=False), "hub", 60.0),)))
        if at == MIDNIGHT:
            await store.keep(RetentionLimits(samples=FAR))
    (found,) = await store.samples_thinned(HIDE_HUB, MIDNIGHT - 6 * HOUR, MIDNIGHT + 6 * HOUR, 1)
    assert (found.samples, found.without, found.mean, found.least) == (2, 2, None, None)


async def test_a_total_beyond_all_numbers_has_a_mean(store: Store) -> None:
    """A custom probe may return any value: the mean stays between the minimum and the maximum."""
    huge = [Seen(MIDNIGHT + n * MINUTE, Level(SKERRY, 1.7e308, 1.75e308), "own", 60.0) for n in range(4)]
    await store.commit(Commit(seen=tuple(huge)))
    for _ in range(2):
        (found,) = await store.samples_thinned(SKERRY, MIDNIGHT, MIDNIGHT + HOUR, 1)
        assert found.mean == 1.7e308
        await store.keep(RetentionLimits(samples=FAR))


# Histories ------------------------------------------------------------------------------------------------------------


async def _past(store: Store, since: datetime = MIDNIGHT - DAY) -> LevelSamples:
    (found,) = [each async for each in store.level_samples(since)]
    return found


async def test_the_newest_samples_come_as_they_are(store: Store) -> None:
    """As many as a history keeps, from the beginning of an hour; before them, three for each hour."""
    values = [float(n) for n in range(RECENT + 30)]
    await _write(store, values, MINUTE)
    found = await _past(store)
    assert found.used.tolist() == values


async def test_before_them_an_hour_is_three_samples(store: Store) -> None:
    """Its minimum, its middle and its maximum in the order of its movement.

    Whether the hour is still there as samples or rolled up makes no difference.
    """
    rising = [float(n) for n in range(60)]
    falling = [float(1000 - n) for n in range(60)]
    await _write(store, rising + falling + [5.0] * (RECENT + 60), MINUTE)
    before = await _past(store)
    await store.keep(RetentionLimits(samples=MIDNIGHT + 2 * HOUR))
    after = await _past(store)
    for found in (before, after):
        assert found.used[:6].tolist() == [0.0, 29.5, 59.0, 1000.0, 970.5, 941.0]
        places = pytest.approx([0.0, 1800.0, 3599.999, 3600.0, 5400.0, 7199.999], abs=1e-4)
        assert (found.at_s[:6] - _at_s(MIDNIGHT)).tolist() == places
        assert set(found.capacity.tolist()) == {1000.0}
    assert before.at_s.tolist() == after.at_s.tolist()


async def test_one_wild_sample_does_not_move_the_middle(store: Store) -> None:
    """The minimum and the maximum are excluded from the middle if there are enough values to do so."""
    await _write(store, [10.0] * 59 + [900.0], MINUTE)
    await _write(store, [10.0, 20.0, 60.0], 20 * MINUTE, MIDNIGHT + HOUR)
    await _write(store, [1.0] * RECENT, MINUTE, MIDNIGHT + 4 * HOUR)
    found = await _past(store)
    assert found.used[:6].tolist() == [10.0, 10.0, 900.0, 10.0, 30.0, 60.0]


async def test_long_before_a_day_is_three_samples(store: Store) -> None:
    """Hours older than a history keeps, and days, are returned as days around their noon."""
    values = [float(n) for n in range(100 * 24)]
    await _write(store, values, HOUR)
    await store.keep(RetentionLimits(samples=MIDNIGHT + 95 * DAY, hours=MIDNIGHT + 10 * DAY))
    found = await _past(store)
    at_s = found.at_s - _at_s(MIDNIGHT)
    assert (np.diff(at_s) > 0).all()
    days = at_s[: 3 * 40].reshape(-1, 3)
    assert np.abs(days % 86_400 - 43_200 - np.array([0.0, 1800.0, 3599.999])).max() < 1e-4
    assert found.used[: 3 * 40].reshape(-1, 3).tolist() == [[24.0 * d, 24 * d + 11.5, 24.0 * d + 23] for d in range(40)]
    assert len(at_s) < len(values) - 40 * 20


async def test_a_history_is_filled_as_it_was(store: Store) -> None:
    """A history filled at a start matches one that was built up live.

    For a level that rises evenly, the hours of both histories have the same lows and highs, and middles within the
    noise.
    """
    rng = np.random.default_rng(1)
    count = 4 * 24 * 60
    used = 500.0 + np.arange(count) / 60 + rng.normal(0, 0.01, count)
    lived = LevelHistory()
    at_s = _at_s(MIDNIGHT) + 60.0 * np.arange(count)
    lived.extend(at_s, used, np.full(count, 1000.0))
    await _write(store, used.tolist(), MINUTE)
    for cut in (MIDNIGHT, MIDNIGHT + 2 * DAY):
        await store.keep(RetentionLimits(samples=cut))
        past = await _past(store)
        filled = LevelHistory()
        filled.extend(past.at_s, past.used, past.capacity)
        assert filled.recent()[1].tolist() == lived.recent()[1].tolist()
        ours, theirs = filled.hours(), lived.hours()
        assert ours.index.tolist() == theirs.index.tolist()
        assert ours.low.tolist() == theirs.low.tolist()
        assert ours.high.tolist() == theirs.high.tolist()
        assert np.abs(ours.middle - theirs.middle).max() < 0.03  # of an hour's growth of 1
        assert np.abs(ours.at - theirs.at).max() <= 30.0


async def test_the_past_begins_where_it_is_asked_to(store: Store) -> None:
    """Samples, hours and days from before that time are omitted."""
    await _write(store, [float(n) for n in range(3 * 24 * 60)], MINUTE)
    await store.keep(RetentionLimits(samples=MIDNIGHT + DAY))
    found = await _past(store, NOON)
    assert found.at_s[0] >= _at_s(NOON)
    (none,) = [each async for each in store.level_samples(FAR)]
    assert none.at_s.tolist() == []


async def test_a_level_that_was_something_else_once(store: Store) -> None:
    """Hours of another kind have no capacity, and are not part of a level's history."""
    await store.commit(Commit(seen=(Seen(MIDNIGHT, Condition(SKERRY, ok=True), "pools", 60.0),)))
    await _write(store, [3.0], HOUR, MIDNIGHT + HOUR)
    await store.keep(RetentionLimits(samples=FAR))
    assert (await _past(store)).used.tolist() == [3.0]


@pytest.mark.parametrize("count", [0, 1, 5])
async def test_a_short_past_is_whole(store: Store, count: int) -> None:
    """A series with few samples is returned unchanged."""
    await store.commit(Commit(seen=(level(0.0, START),)))
    await _write(store, [float(n) for n in range(count)], DAY, START + DAY)
    assert (await _past(store, START)).used.tolist() == [0.0, *(float(n) for n in range(count))]
