"""How often snapshots were taken, from their names and times alone."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from fnmatch import fnmatchcase
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.discovery.conftest import NOW
from watchkeeper.discovery.cadence import Cadence, SnapshotSet, cadence_of, rounded_up_s, sets_of, shape_of
from watchkeeper.probes.storage.snapshot_ages import Snapshot
from watchkeeper.probes.storage.snapshot_sets import Origin

HOUR_S, DAY_S = 3_600.0, 86_400.0


def taken(prefix: str, hours_apart: float, count: int, until: datetime = NOW) -> list[Snapshot]:
    """Snapshots at a steady pace, the newest an hour old."""
    at = [until - timedelta(hours=1 + hours_apart * n) for n in range(count)]
    return [Snapshot(f"{prefix}{each:%Y-%m-%d-%H%M}", each, 2**20) for each in at]


def names(found: SnapshotSet, snapshots: Sequence[Snapshot]) -> set[str]:
    """Those that the set's globs match."""
    return {each.name for each in snapshots if any(fnmatchcase(each.name, glob) for glob in found.called)}


def test_names_fall_into_sets_by_their_pattern() -> None:
    """Hourly, daily and weekly ones of one volume, each with its cadence; one by hand has none."""
    snapshots = [*taken("hourly-", 1, 24), *taken("daily-", 24, 14), *taken("weekly-", 168, 5)]
    snapshots += [Snapshot("before-upgrade", NOW - timedelta(days=40), 2**30)]
    found = sets_of([Origin("skerry/hide-hub", snapshots)])
    assert [each.called for each in found] == [("hourly-*",), ("daily-*",), ("weekly-*",), ("before-upgrade",)]
    assert [each.cadence.word if each.cadence else "" for each in found] == ["hourly", "daily", "weekly", ""]
    assert [each.cadence.limit_s / HOUR_S for each in found if each.cadence] == [2, 27, 192]


def test_one_outage_does_not_count() -> None:
    """Twelve nights with one that was missed: the limit stays that of a night."""
    at = [NOW - timedelta(days=n) for n in range(14) if n != 5]
    cadence = cadence_of([[(late - early).total_seconds() for late, early in pairwise(at)]])
    assert cadence is not None
    assert cadence.limit_s == 27 * HOUR_S


def test_weekends_do_count() -> None:
    """A backup on working days rests from Friday to Monday, every week: the limit allows for that."""
    gaps = [DAY_S, DAY_S, DAY_S, DAY_S, 3 * DAY_S] * 3
    cadence = cadence_of([gaps])
    assert cadence is not None
    assert (cadence.word, cadence.usual_s, cadence.counted_s) == ("daily", DAY_S, 3 * DAY_S)
    assert cadence.limit_s == 4 * DAY_S


def test_a_set_that_is_thinned_with_age_keeps_its_cadence() -> None:
    """Hourly for a day, then daily: of each origin the newest gaps count."""
    old = [Snapshot(f"auto-{n}", NOW - timedelta(days=n)) for n in range(2, 30)]
    recent = [Snapshot(f"auto-{100 + n}", NOW - timedelta(hours=n)) for n in range(24)]
    (found,) = sets_of([Origin("skerry/tide-log", [*old, *recent])])
    assert found.cadence is not None
    assert found.cadence.word == "hourly"


@pytest.mark.parametrize("gaps", [[DAY_S, DAY_S], [0.0, 1.0, 2.0, 1.0], []], ids=["too few", "seconds apart", "none"])
def test_what_shows_no_cadence(gaps: list[float]) -> None:
    """Two gaps may be chance, and snapshots seconds apart were one piece of work."""
    assert cadence_of([gaps]) is None


def test_globs_do_not_take_in_another_sets_names() -> None:
    """`auto-*` would match `auto-daily-1` too, so digits are asked for."""
    snapshots = [*taken("auto-", 1, 20), *taken("auto-daily-", 24, 9), Snapshot("auto-7", NOW)]
    for each in sets_of([Origin("skerry/hide-hub", snapshots)]):
        assert each.cadence is not None
        begin = "auto-daily-" if each.cadence.word == "daily" else "auto-"
        assert names(each, snapshots) == {s.name for s in snapshots if shape_of(s.name).begin == begin}


def test_one_pattern_and_two_cadences() -> None:
    """A program may name the hourly ones of one volume and the daily ones of another alike: each has its own limit."""
    origins = [
        Origin("skerry/hide-hub", taken("auto-", 1, 20)),
        Origin("skerry/nest-cams", taken("auto-", 24, 20)),
        Origin("skerry/ringing-db", taken("auto-", 1.05, 20)),
        Origin("skerry/tide-log", taken("auto-", 1, 2)),
        Origin("skerry/trial", taken("auto-", 1, 2, until=NOW - timedelta(days=30))),
    ]
    found = {each.cadence.word if each.cadence else "": each.origins for each in sets_of(origins)}
    assert found == {
        "hourly": ("skerry/hide-hub", "skerry/ringing-db", "skerry/tide-log"),
        "daily": ("skerry/nest-cams",),
        "": ("skerry/trial",),
    }


def test_cadences_that_differ_little_are_one() -> None:
    """Of 2 hours and of 2 hours and 2 minutes; 8 hours are another."""
    assert Cadence(7_200, 7_200, 5).tempo == Cadence(7_320, 7_320, 5).tempo != Cadence(28_800, 28_800, 5).tempo


def test_dates_in_front_and_words_behind() -> None:
    """The fixed end counts as much as the beginning."""
    assert (shape_of("2026-11-25_0800_hourly").begin, shape_of("2026-11-25_0800_hourly").end) == ("", "_hourly")
    assert (shape_of("before-upgrade").begin, shape_of("before-upgrade").end) == ("before-upgrade", "")


@given(st.lists(st.text(min_size=1, max_size=12), min_size=1, max_size=30, unique=True))
def test_every_name_is_in_the_set_that_its_globs_match(listed: list[str]) -> None:
    """Whatever the names hold, each is matched by its own set's globs, and no set is lost."""
    snapshots = [Snapshot(name, NOW - timedelta(hours=n)) for n, name in enumerate(listed)]
    found = sets_of([Origin("skerry/hide-hub", snapshots)])
    assert sum(each.count for each in found) == len(listed)
    for name in listed:
        assert any(fnmatchcase(name, glob) for each in found for glob in each.called)


@given(st.floats(60, 400 * DAY_S), st.floats(1, 3))
def test_a_limit_leaves_room(counted_s: float, stretch: float) -> None:
    """Never less than the longest gap that counts, and never more than twice that and a step."""
    cadence = Cadence(counted_s / stretch, counted_s, 10)
    assert counted_s < cadence.limit_s <= max(2 * counted_s + 300, 1.1 * counted_s + DAY_S)


def test_limits_are_rounded_up_to_what_people_write() -> None:
    """Whole minutes, five minutes, hours, days."""
    assert [rounded_up_s(s) for s in (61, 3_601, 90_001, 4 * DAY_S + 1)] == [120, 3_900, 93_600, 5 * DAY_S]


def test_an_uneven_cadence_is_named_by_its_time() -> None:
    """Not every set is hourly or daily."""
    assert Cadence(900, 900, 5).word == "every 15m"
