"""`export` writes the four kinds as CSV, in the operator's zone and units."""

import csv
import io
from datetime import timedelta
from pathlib import Path

import pytest

from tests.cli.conftest import Run, fill
from tests.support.readstore import NOW, ReadStoreDouble
from watchkeeper.messages.wording import condition_words
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey, Unit
from watchkeeper.model.records import Commit, Seen

MINUTE = timedelta(minutes=1)
HEALTH = SeriesKey("pool skerry", "health")
SEEN: list[tuple[int, Observation]] = [
    (3, Level(SeriesKey("pool skerry", "space"), 1.5 * 2**40, 2**41)),
    (2, Level(SeriesKey("pool skerry", "metadata"), 0.25, 1.0, Unit.SHARE)),
    (2, Level(SeriesKey("pool skerry", "files"), 12, 100, Unit.COUNT)),
    (2, Answer(SeriesKey("service hide-hub", "answer"), answered=True, took_s=0.0381234)),
    (1, Answer(SeriesKey("service hide-hub", "answer"), answered=False)),
    (1, Deadline(SeriesKey("snapshots of tide-log", "age of the newest"), NOW + timedelta(hours=3))),
    (0, Deadline(SeriesKey("snapshots of tide-log", "age of the newest"), None)),
    (1, Condition(SeriesKey("pool skerry", "health"), ok=False, reason="degraded")),
    (0, Condition(SeriesKey("pool skerry", "health"), ok=True)),
]


@pytest.fixture(autouse=True)
def database(config: Path) -> None:
    """One of each kind, in Berlin's time."""
    config.write_text(config.read_text().replace('name = "gannet"', 'name = "gannet"\ntime_zone = "Europe/Berlin"'))
    commits = [Commit(seen=(Seen(NOW - ago * MINUTE, seen, "p", 60.0),)) for ago, seen in SEEN]
    fill(config.with_name("watchkeeper.db"), ReadStoreDouble(), commits)


def rows(text: str) -> list[list[str]]:
    """The lines below the head, as a spreadsheet reads them."""
    head, *found = csv.reader(io.StringIO(text, newline=""))
    assert head == ["time", "subject", "quantity", "value", "of", "unit"]
    return found


def test_levels(run: Run) -> None:
    """In GiB, numbers and percent."""
    found = rows(run("export", "pool skerry").stdout)
    assert found[0] == ["2026-11-25 08:21:11+01:00", "pool skerry", "space", "1536", "2048", "GiB"]
    assert [each[2:] for each in found[1:3]] == [["metadata", "25", "100", "%"], ["files", "12", "100", "number"]]
    faulty, ok = (each[3] for each in found if each[2] == "health")
    assert faulty != ok
    assert (faulty, ok) == (condition_words(HEALTH)[1], condition_words(HEALTH)[0])


def test_answers_and_due_dates(run: Run) -> None:
    """A missing answer is an empty cell; a date has its offset."""
    assert [each[3:] for each in rows(run("export", "HIDE-hub").stdout)] == [
        ["0.03812", "", "seconds"],
        ["", "", "seconds"],
    ]
    assert [each[3] for each in rows(run("export", "tide-log").stdout)] == ["2026-11-25 11:24:11+01:00", "none found"]


def test_into_a_file_and_only_a_part(run: Run, tmp_path: Path) -> None:
    """The window has both ends."""
    target = tmp_path / "november.csv"
    result = run("export", "e", "--since", "90s", "--until", "30s", "--output", str(target))
    assert (result.exit_code, result.stdout) == (0, "")
    assert {each[0] for each in rows(target.read_bytes().decode())} == {"2026-11-25 08:23:11+01:00"}


@pytest.mark.parametrize(
    ("words", "said"),
    [(("nest",), 'no quantity has "nest" in its name'), (("hub", "--since", "1d", "--until", "2d"), "must be before")],
)
def test_what_cannot_be_exported(run: Run, words: tuple[str, ...], said: str) -> None:
    """Says what is wrong."""
    result = run("export", *words)
    assert (result.exit_code, said in " ".join(result.stderr.split())) == (64, True)


def test_a_file_that_cannot_be_written(run: Run, tmp_path: Path) -> None:
    """Nothing is lost: the file is named, with the remedy."""
    result = run("export", "hub", "--output", str(tmp_path / "none" / "x.csv"))
    assert (result.exit_code, "cannot be written" in result.stderr) == (73, True)
