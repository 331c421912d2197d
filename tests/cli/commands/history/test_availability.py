"""`availability` from a real database: one service by period, all of them, and as JSON."""

import json
from datetime import timedelta
from pathlib import Path

import pytest

from tests.cli.conftest import Run, fill
from tests.support.readstore import NOW, ReadStoreDouble
from tests.support.schema import faults
from tests.web.api.test_openapi import DOCUMENT
from watchkeeper.model.observation import Answer, SeriesKey
from watchkeeper.model.records import Commit, Seen

HUB, CAMS = SeriesKey("service hide-hub", "answer"), SeriesKey("service nest-cams", "answer")
MINUTE = timedelta(minutes=1)


def answer(key: SeriesKey, *, up: bool) -> Answer:
    """An answer, or that it was refused."""
    return Answer(key, answered=True, took_s=0.1) if up else Answer(key, answered=False, reason="connection refused")


def answers(key: SeriesKey, probe: str, states: str) -> Commit:
    """A sample each minute up to now: `u` answered, `d` not, a space for none."""
    begin = NOW - len(states) * MINUTE
    return Commit(
        seen=tuple(
            Seen(begin + n * MINUTE, answer(key, up=each == "u"), probe, 60.0)
            for n, each in enumerate(states)
            if each != " "
        )
    )


@pytest.fixture(autouse=True)
def services(config: Path) -> None:
    """hide-hub: out for 7 minutes, and not measured for 30; nest-cams: always there."""
    day = "u" * 300 + "d" * 7 + "u" * 200 + " " * 30 + "u" * 600
    double = ReadStoreDouble()
    fill(config.with_name("watchkeeper.db"), double, [answers(HUB, "hub", day), answers(CAMS, "nest-cams", "u" * 60)])


def lines(text: str) -> list[str]:
    """The lines, each with single spaces."""
    return [" ".join(each.split()) for each in text.splitlines()]


def test_one_service(run: Run) -> None:
    """By day, with all of it and the outage's true times; found by its probe's name too."""
    result = run("availability", "hub")
    assert result.exit_code == 0
    assert " ".join(lines(result.stdout)) == (
        "service hide-hub, since Tue 24 Nov 12:27 "
        "Tue 24 Nov 2026 no answer for 7 min, 1 outage; answered 98.94 %; not measured for 30 min "
        "Wed 25 Nov 2026 always answered "
        "all of it no answer for 7 min, 1 outage; answered 99.36 %; not measured for 30 min "
        "Outages Tue 24 Nov 17:27:11 to Tue 24 Nov 17:34:11, 7 min: connection refused"
    )
    assert run("availability", "HIDE-hub", "--by", "day").stdout == result.stdout


def test_all_services(run: Run) -> None:
    """One line each."""
    found = lines(run("availability").stdout)
    assert found[0].startswith("service hide-hub no answer for 7 min, 1 outage")
    assert found[-1] == "service nest-cams always answered"


@pytest.mark.parametrize(
    ("by", "names"), [("week", ["week 48 of 2026"]), ("month", ["November 2026"]), ("year", ["2026"])]
)
def test_other_periods(run: Run, by: str, names: list[str]) -> None:
    """The service is a day old, so it lies in one of each."""
    found = lines(run("availability", "hide-hub", "--since", "365d", "--by", by).stdout)
    assert [line for line in found if line.startswith(tuple(names))]


def test_as_json(run: Run) -> None:
    """One object a line, as the API describes it."""
    found = [json.loads(line) for line in run("availability", "--json", "--since", "2d").stdout.splitlines()]
    schema = DOCUMENT["components"]["schemas"]["Availability"]
    for each in found:
        assert list(faults(each, schema, DOCUMENT)) == []
    assert [each["subject"] for each in found] == ["service hide-hub", "service nest-cams"]
    assert found[0]["total"] == {
        "measured_s": pytest.approx(66_420),
        "not_measured_s": pytest.approx(1_800),
        "no_answer_s": 420,
        "outages": 1,
        "outages_at_least": False,
    }
    times = {"since": "2026-11-24T17:27:11.000Z", "until": "2026-11-24T17:34:11.000Z"}
    assert found[0]["outages"] == [{**times, "no_answer_s": 420, "reason": "connection refused"}]


def test_a_name_that_is_not_known(run: Run) -> None:
    """Says which there are."""
    result = run("availability", "tide")
    assert result.exit_code == 64
    assert 'has "tide" in its name; known: service hide-hub, service nest-cams' in " ".join(result.stderr.split())


def test_a_time_that_is_to_come(run: Run) -> None:
    """Nothing was measured then."""
    assert "--since must be in the past" in run("availability", "--since", "2030-01-01").stderr


def test_nothing_is_measured(run: Run, config: Path) -> None:
    """A host without services."""
    path = config.with_name("watchkeeper.db")
    for each in path.parent.glob("watchkeeper.db*"):
        each.unlink()
    fill(path, ReadStoreDouble())
    result = run("availability")
    assert (result.exit_code, "no service is monitored" in result.stderr) == (64, True)
