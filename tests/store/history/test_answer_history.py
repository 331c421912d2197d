"""When a service answered: runs of samples and roll-ups, against the samples that were written."""

from datetime import UTC, datetime, timedelta

import pytest

from tests.store.material import HIDE_HUB, HOUR, MINUTE
from watchkeeper.model.history.availability import Piece, availability, history_of, outages
from watchkeeper.model.observation import Answer
from watchkeeper.model.records import Commit, Seen
from watchkeeper.store import Store
from watchkeeper.store.history.retention_limits import RetentionLimits

MIDNIGHT = datetime(2026, 3, 1, tzinfo=UTC)
AT_S = MIDNIGHT.timestamp()


async def write(store: Store, answered: str, start: datetime = MIDNIGHT, every: timedelta = MINUTE) -> None:
    """Samples: `u` answered, `d` not, a space for none."""
    await store.commit(
        Commit(
            seen=tuple(
                Seen(
                    start + n * every,
                    Answer(HIDE_HUB, answered=each == "u", took_s=0.1 if each == "u" else None),
                    "hide-hub",
                    60.0,
                )
                for n, each in enumerate(answered)
                if each != " "
            )
        )
    )


async def pieces(store: Store, since_min: float = 0, until_min: float = 1_440) -> list[Piece]:
    """What is read back, with times in minutes after midnight."""
    (series,) = await store.series()
    found = await store.answers(series, MIDNIGHT + since_min * MINUTE, MIDNIGHT + until_min * MINUTE)
    return [
        Piece(
            (each.begin_s - AT_S) / 60, (each.end_s - AT_S) / 60, each.measured_s / 60, each.down_s / 60,
            each.ends_down, each.exact,
        )
        for each in found.pieces
    ]  # fmt: skip


async def test_runs_of_equal_samples(store: Store) -> None:
    """A run ends where the next one begins; the last one lasts one interval, and no longer than what is asked for."""
    await write(store, "uuudduu")
    assert await pieces(store) == [
        Piece(0, 3, 3, 0, ends_down=False), Piece(3, 5, 2, 2, ends_down=True), Piece(5, 7, 2, 0, ends_down=False),
    ]  # fmt: skip
    assert (await pieces(store, until_min=6.5))[-1] == Piece(5, 6.5, 1.5, 0, ends_down=False)
    assert await pieces(store, 100, 200) == []


async def test_a_pause_was_not_measured(store: Store) -> None:
    """Up to three intervals count as measured; during a longer pause the daemon did not run."""
    await write(store, "uu  uu    du")
    found = await pieces(store)
    assert found == [
        Piece(0, 6, 6, 0, ends_down=False), Piece(10, 11, 1, 1, ends_down=True), Piece(11, 12, 1, 0, ends_down=False),
    ]  # fmt: skip


async def test_roll_ups_keep_the_sums(store: Store) -> None:
    """Hours and days of which samples are no longer kept: the same minutes, and outages at least."""
    await write(store, "u" * 30 + "d" * 10 + "u" * 140 + "d" * 5 + "u" * 55)
    before = history_of(await pieces(store), [])
    await store.keep(RetentionLimits(samples=MIDNIGHT + 3 * HOUR))
    found = await pieces(store)
    known = history_of(found, outages(found))
    assert [each.exact for each in found] == [False, False, False, True, True]
    for begin, end in ((0, 240), (0, 60), (60, 120), (120, 240)):
        one, other = availability(before, begin, end), availability(known, begin, end)
        assert (one.measured_s, one.down_s) == pytest.approx((other.measured_s, other.down_s))
    whole = availability(known, 0, 240)
    assert (whole.outages, whole.at_least) == (2, True)


async def test_an_outage_of_68_seconds_has_its_true_times(store: Store) -> None:
    """Out from 10:33:03 to 10:34:11, measured every second: to the second, in any window."""
    start = MIDNIGHT + timedelta(hours=10, minutes=32)
    await write(store, "u" * 63 + "d" * 68 + "u" * 300, start, timedelta(seconds=1))
    (series,) = await store.series()
    for since in (MIDNIGHT, MIDNIGHT - timedelta(days=365)):
        (outage,) = (await store.answers(series, since, MIDNIGHT + timedelta(days=1))).outages
        times = [datetime.fromtimestamp(each, UTC) for each in (outage.begin_s, outage.end_s or 0)]
        assert [f"{each:%H:%M:%S}" for each in times] == ["10:33:03", "10:34:11"]


async def test_an_answer_without_a_time_is_an_answer(store: Store) -> None:
    """As a program may report it."""
    await store.commit(Commit(seen=(Seen(MIDNIGHT, Answer(HIDE_HUB, answered=True), "hide-hub", 60.0),)))
    assert await pieces(store) == [Piece(0, 1, 1, 0, ends_down=False)]
