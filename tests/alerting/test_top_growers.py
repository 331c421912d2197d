"""Which parts of a level grew most, on histories whose growth is known."""

from datetime import UTC, datetime

import pytest

from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.alerting.rules import Rules
from watchkeeper.alerting.top_growers import Grower, biggest, explaining, grown_since, parts_of, with_growers
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import Kind, Level, SeriesKey, Unit

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


WHOLE = SeriesKey("file system /srv", "space")


def evaluator(key: SeriesKey, history: LevelHistory, part_of: SeriesKey | None) -> SeriesEvaluator:
    """A series that was seen last as its history ends."""
    found = SeriesEvaluator(key, Kind.LEVEL, 600.0, Rules(), AlertBook())
    used = float(history.recent()[1][-1])
    found.take(Level(key, used, 1000 * GIB, part_of=part_of), datetime.fromtimestamp(START_S + 10 * DAY_S, UTC))
    found.history = history
    return found


def facts_of(parts: list[SeriesEvaluator], key: SeriesKey = WHOLE, unit: Unit = Unit.BYTES) -> tuple[str, ...]:
    """What a filling level says about what grew."""
    forecast = Forecast(START_S, 1.0, 2.0, since_s=START_S)
    found = Finding(key, Concern.FULL, datetime.fromtimestamp(START_S, UTC), Priority.WARNING, forecast=forecast)
    seen = with_growers(Level(key, 1.0, 2.0, unit), found, parts)
    assert seen is not None
    return tuple(value for name, value in seen.facts if name == "grew most")


def directory(path: str, gib_a_day: float, above: SeriesKey = WHOLE) -> SeriesEvaluator:
    """A directory that grows."""
    return evaluator(SeriesKey(f"directory {path}", "size"), grown(10, gib_a_day), above)


def test_the_deepest_part_with_most_of_the_growth_is_named() -> None:
    """A message says where to look: not the whole tree, and not a part with half of it."""
    parts = [
        directory("/srv/cams", 10),
        directory("/srv/cams/nest", 9, SeriesKey("directory /srv/cams", "size")),
        directory("/srv/cams/nest/2026", 4, SeriesKey("directory /srv/cams/nest", "size")),
        directory("/srv/log", 2),
        evaluator(SeriesKey("file system /mnt", "space"), grown(10, 50), None),
    ]
    (said,) = facts_of(parts)
    assert said == "directory /srv/cams/nest 89.8 GiB more; directory /srv/log 20 GiB more"


def test_a_well_known_directory_is_named_by_what_it_holds() -> None:
    """With the command that makes it smaller: whoever is woken need not know what is in it."""
    root = SeriesKey("file system /", "space")
    (said,) = facts_of([directory("/var/log/journal", 1, root), directory("/srv/log", 0.5, root)], root)
    journal = "directory /var/log/journal (the systemd journal; `journalctl --vacuum-size=500M` shortens it)"
    assert said == f"{journal} 9.98 GiB more; directory /srv/log 4.99 GiB more"


def test_a_file_system_without_known_growers_says_why() -> None:
    """No probe, or none of the directories grew; another level says nothing."""
    assert facts_of([]) == ('not known: no probe records its directories (kind = "directories" does)',)
    still = facts_of([directory("/srv/cams", 0)])
    assert still == ("not known: none of its recorded directories has grown since then, as of the last walk",)
    pool, thin = SeriesKey("pool skerry", "space"), SeriesKey("thin pool vg0/guests", "data")
    assert facts_of([], pool) == ("not known: none of its datasets is recorded",)
    assert facts_of([], thin) == ("not known: none of its volumes is recorded",)
    quiet = evaluator(SeriesKey("dataset skerry/tide-log", "data"), grown(10, 0), pool)
    assert facts_of([quiet], pool) == ("not known: none of its recorded datasets has grown since then",)
    assert facts_of([], SeriesKey("thin pool vg0/guests", "metadata")) == ()
    assert facts_of([], SeriesKey("memory", "in use")) == ()
    assert facts_of([], SeriesKey("file system /srv", "inodes"), Unit.COUNT) == ()


def test_before_the_first_walk_nothing_is_known_to_be_new() -> None:
    """Directories that were walked first in the middle of a trend have grown since then, not by all they hold."""
    late = evaluator(SeriesKey("directory /srv/cams", "size"), grown(1, 5, start_s=START_S + 9 * DAY_S), WHOLE)
    (said,) = facts_of([late])
    assert said == "directory /srv/cams 4.97 GiB more"


def test_parts_of_parts_are_found_and_circles_end() -> None:
    """In the given order; what belongs to something else is left out, and a circle is followed once."""
    one, two = SeriesKey("directory /srv/a", "size"), SeriesKey("directory /srv/a/b", "size")
    levels = [Level(two, 1, 2, part_of=one), Level(one, 1, 2, part_of=WHOLE), Level(WHOLE, 1, 2, part_of=two)]
    other = Level(SeriesKey("directory /mnt/c", "size"), 1, 2, part_of=SeriesKey("file system /mnt", "space"))
    assert [each.key for each in parts_of(WHOLE, [*levels, other])] == [two, one, WHOLE]
    circle = {WHOLE: [Grower(one, 5.0)], one: [Grower(two, 5.0)], two: [Grower(one, 5.0)]}
    assert len(explaining(circle, WHOLE)) == 1


def test_a_btrfs_names_the_directories_of_its_file_system() -> None:
    """Its own level is data in its chunks; what was walked is the file system that is mounted there."""
    (said,) = facts_of([directory("/srv/cams", 10)], SeriesKey("btrfs /srv", "data"))
    assert said == "directory /srv/cams 99.8 GiB more"
    (none,) = facts_of([], SeriesKey("btrfs /srv", "data"))
    assert none == 'not known: no probe records its directories (kind = "directories" does)'
