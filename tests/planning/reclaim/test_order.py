"""The order in which snapshots are dropped when they are thinned out, and what is left."""

from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.reclaim.order import YOUNGEST_S, left_of, thin_out
from watchkeeper.planning.reclaim.snapshots import NOTHING, Candidate, Left

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
POOL = SeriesKey("pool skerry", "space")


def snapshot(days: float, of: str = "skerry/hide-hub") -> Candidate:
    """A snapshot of so many days ago."""
    return Candidate(POOL, f"{of}@{days}", of, str(days), NOW - timedelta(days=days), NOTHING)


def days(order: list[Candidate]) -> list[float]:
    """Their ages."""
    return [float(each.label) for each in order]


def test_worked_by_hand() -> None:
    """Of 1, 2, 3, 8 and 16 days: without the 2 the gap is 1 to 3, twice the 1; without the 3 it is 2 to 8, three times.

    Without the 8 it is 3 to 16, 4.3 times. So the 2 goes first; then the gap without the 3 is 1 to 8, seven times, and
    that without the 8 still 4.3 times: the 8 goes, then the 3. The oldest goes last.
    """
    every = [snapshot(each) for each in (1, 2, 3, 8, 16)]
    assert days(thin_out(every, every[1:], NOW)) == [2, 8, 3, 16]
    assert thin_out(every, [], NOW) == []


def test_what_stays_counts_as_a_neighbour() -> None:
    """Those that may not be dropped still lie between; each thing has its own."""
    every = [snapshot(1), snapshot(2), snapshot(3), snapshot(1, "skerry/nest-cams"), snapshot(9, "skerry/nest-cams")]
    assert days(thin_out(every, [every[1]], NOW)) == [2]
    assert thin_out(every, [every[1], every[4]], NOW) == [every[1], every[4]]
    assert thin_out(every, [every[0]], NOW) == [every[0]]


def loss(stays: list[Candidate], each: Candidate) -> float:
    """The loss by its definition, from the list of those that are still there."""
    at = stays.index(each)
    end_s = (NOW - stays[at + 1].made_at).total_seconds() if at + 1 < len(stays) else 0.0
    begin_s = (NOW - stays[max(at - 1, 0)].made_at).total_seconds()
    found = (begin_s - end_s) / max(end_s, YOUNGEST_S)
    return found if at else 1e9 + found


@given(st.lists(st.integers(1, 400), min_size=1, max_size=12, unique=True), st.data())
@settings(max_examples=150, deadline=None)
def test_each_is_the_cheapest_of_those_that_are_left(ages: list[int], data: st.DataObject) -> None:
    """Against the plain way: measure all that are left again before each one that goes."""
    stays = [snapshot(each) for each in sorted(ages, reverse=True)]
    free = data.draw(st.lists(st.sampled_from(stays), unique=True))
    order = thin_out(list(stays), free, NOW)
    assert set(order) == set(free)
    for each in order:
        left = [one for one in free if one in stays]
        assert loss(stays, each) == min(loss(stays, one) for one in left)
        stays.remove(each)


def test_what_is_left() -> None:
    """Only what loses some is told; where nothing stays there is no oldest."""
    every = [snapshot(1), snapshot(2), snapshot(3, "skerry/nest-cams"), snapshot(4, "skerry/tide-log")]
    assert left_of(every, [every[1], every[2]]) == (
        Left("skerry/hide-hub", 2, 1, NOW - timedelta(days=1)),
        Left("skerry/nest-cams", 1, 0, None),
    )
    assert left_of(every, []) == ()
