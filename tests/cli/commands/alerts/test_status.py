"""`status` tells how things stand from a real database, readable at 80 columns and without colour."""

import json
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from rich.cells import cell_len

from tests.cli.conftest import Run, fill
from tests.support import readstore
from tests.support.readstore import NOW, ReadStoreDouble, calm, delivery, filling, fresh, full
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import Answer, Condition, SeriesKey
from watchkeeper.model.records import Commit
from watchkeeper.web.api.response_types import Status


def test_a_pool_that_fills_stands_first(run: Run, config: Path) -> None:
    """What needs the operator is told with its priority, the time left, since when, and what to look at."""
    fill(config.with_name("watchkeeper.db"), filling())
    result = run("status")
    assert result.exit_code == 1
    lines = result.stdout.splitlines()
    assert lines[0] == "gannet, Wed 25 Nov 07:24"
    assert lines[1].startswith("Snapshots of nest-cams are overdue by 2 days 4 h. Two more things need you.")
    assert "Next: pool skerry, full in about 3 days" in " ".join(lines[1:4])
    assert "Needs you" in lines
    assert "  warning   pool skerry: full in about 3 days (2 to 5 days)" in lines
    assert any(re.fullmatch(r" {12}[\d.]+ TiB of 2 TiB used \(\d+ %\), \d+ GiB left", line) for line in lines)
    assert "            alert since Tue 24 Nov 21:10 (10 h 14 min)" in lines
    assert "What to look at: " in result.stdout
    assert "Time left" in lines


@pytest.mark.parametrize("scenario", [calm, filling, full, fresh])
@pytest.mark.parametrize("columns", ["40", "80", "200"])
def test_every_line_fits_the_terminal(
    run: Run, config: Path, monkeypatch: pytest.MonkeyPatch, scenario: object, columns: str
) -> None:
    """No line is wider than the terminal, none ends in spaces, and no escape sequence is in a pipe."""
    assert callable(scenario)
    fill(config.with_name("watchkeeper.db"), scenario())
    monkeypatch.setenv("COLUMNS", columns)
    for line in run("status").stdout.splitlines():
        assert cell_len(line) <= int(columns)
        assert line == line.rstrip()
        assert "\x1b" not in line


def test_nothing_that_needs_the_keeper_is_exit_code_0(run: Run, config: Path) -> None:
    """A script may ask the board."""
    fill(config.with_name("watchkeeper.db"), calm())
    result = run("status")
    assert result.exit_code == 0
    assert "Nothing" in result.stdout.splitlines()[1]
    assert "OK: " in result.stdout


def test_what_has_no_date_is_listed_not_counted_as_ok(run: Run, config: Path) -> None:
    """A young growth and a nearly full level have lines of their own; what is still learning is not under OK."""
    store = calm()
    store.growing("pool jetty", 2**30, 2**32)
    store.level("pool mole", "space", 95.0, 100.0, no_end=NoEnd.UNCERTAIN)
    fill(config.with_name("watchkeeper.db"), store)
    text = run("status").stdout
    said = " ".join(text.split())
    assert "No date yet\n" in text
    assert (
        "25 % pool jetty: growing unusually fast since 05:24; too early for a date; at this rate, 1.5 GiB a day, "
        "full in about 2 days; 1 GiB of 4 GiB used (25 %), 3 GiB left"
    ) in said
    assert "95 % pool mole: too uncertain to forecast" in said
    assert "learning" not in next(line for line in text.splitlines() if line.startswith("OK: "))
    assert "Not known yet: 1 still learning." in text
    document = json.loads(run("status", "--json").stdout)
    young = next(each for each in document["learning"] if each["subject"] == "pool jetty")
    assert young["reason"] == "growing unusually fast"
    assert young["unusual_growth"]["since"] == "2026-11-25T05:24:11.000Z"


def test_what_fails_within_its_limits_is_not_counted_as_ok(run: Run, config: Path) -> None:
    """It has a line of its own with its reason and begin, and nothing needs the operator yet."""
    store = calm()
    key = SeriesKey("service ringing-db", "answer")
    since = store.now - timedelta(minutes=1)
    store.add(
        Answer(key, answered=False, reason="connection refused"),
        Finding(key, Concern.NOT_ANSWERING, store.now, None, since=since, reason="connection refused"),
    )
    fill(config.with_name("watchkeeper.db"), store)
    result = run("status")
    said = " ".join(result.stdout.split())
    assert result.exit_code == 0
    assert "Failing, within limits service ringing-db: connection refused since " in said
    document = json.loads(run("status", "--json").stdout)
    assert [each["subject"] for each in document["failing"]] == ["service ringing-db"]
    assert "service ringing-db" not in {each["subject"] for each in document["ok"]}


def test_a_growth_of_minutes_has_no_date(run: Run, config: Path) -> None:
    """Neither a time left nor a range, and the first lines say that it is too early."""
    store = calm()
    store.level("pool jetty", "space", 2.0**30, 2.0**32, full_in=(timedelta(hours=5), timedelta(hours=6), None))
    store.found = [
        replace(f, forecast=replace(f.forecast, since_s=f.forecast.at_s - 420)) if f.forecast and f.ends_at else f
        for f in store.found
    ]
    fill(config.with_name("watchkeeper.db"), store)
    said = " ".join(run("status").stdout.split())
    assert "6 h pool jetty" not in said
    assert "growing; too early for a date" in said
    document = json.loads(run("status", "--json").stdout)
    (young,) = [each for each in document["learning"] if each["subject"] == "pool jetty"]
    assert young["reason"] == "too early for a date"


def test_the_order_is_that_of_the_time_left(run: Run, config: Path) -> None:
    """The nearest end comes first, as on the page."""
    fill(config.with_name("watchkeeper.db"), calm())
    board = json.loads(run("status", "--json").stdout)
    left = [each["time_left_s"] for each in board["time_left"]]
    assert left == sorted(left)
    assert len(left) > 1


def test_the_object_is_the_apis_with_the_answer_to_the_first_question(run: Run, config: Path) -> None:
    """--json prints one object that a script can rely on."""
    fill(config.with_name("watchkeeper.db"), filling())
    result = run("status", "--json")
    board = json.loads(result.stdout)
    assert (board["host"], board["needs_you"], result.exit_code) == ("gannet", True, 1)
    live = {"summary", "monitoring_problems", "recent_events"}
    assert set(board) == set(Status.__annotations__) - live | {"needs_you"}
    assert "pool skerry" in [each["subject"] for each in board["active"]]


def test_the_record_of_all_forecasts(run: Run, config: Path) -> None:
    """One line for the forecasts of all levels, once the time of any has come."""
    double = calm()
    fill(config.with_name("watchkeeper.db"), double)
    assert "Forecasts so far" not in run("status").stdout
    double.scored(SeriesKey("pool skerry", "space"), 41, 38)
    fill(config.with_name("watchkeeper.db"), readstore.fresh(), [Commit(forecasts=tuple(double.kept))])
    said = " ".join(run("status").stdout.split())
    assert "Forecasts so far: of 41 forecasts whose time has come, 38 held; median error 12 %" in said
    assert json.loads(run("status", "--json").stdout)["forecast_record"]["held"] == 38


def test_a_watch_that_stands_still_is_told_first(run: Run, config: Path) -> None:
    """A board without new samples says so before anything else, and is no silence that all is well."""
    double = calm()
    double.seen = [replace(each, at=NOW - timedelta(hours=3)) for each in double.seen]
    fill(config.with_name("watchkeeper.db"), double)
    result = run("status")
    assert result.exit_code == 1
    words = " ".join(result.stdout.split())
    told = "No readings for 3 h: check that `watchkeeper run` is running. Everything below is as old."
    assert words.startswith(f"gannet, Wed 25 Nov 07:24 Monitoring itself needs you. {told}")


def test_what_is_acknowledged_shelved_and_rectified_has_its_place(run: Run, config: Path) -> None:
    """Each state of an alert has its own heading."""
    double = calm()
    for number, (state, shelved) in enumerate(
        [(State.ACKNOWLEDGED, None), (State.ACTIVE, NOW + timedelta(hours=2)), (State.RECTIFIED, None)]
    ):
        key = SeriesKey(f"guest tide-log {number}", "state")
        priority = None if state is State.RECTIFIED else Priority.WARNING
        raised_at = NOW - timedelta(hours=1)
        made = Alert(key, Concern.FAULTY, state, priority, 1, 1, raised_at, ended_at=NOW, shelved_until=shelved)
        double.raised.append(made)
    fill(config.with_name("watchkeeper.db"), double)
    result = run("status")
    assert result.exit_code == 0
    text = result.stdout
    positions = [text.index(title) for title in ("Acknowledged", "Shelved", "Rectified, not acknowledged")]
    assert positions == sorted(positions)
    assert "shelved until Wed 25 Nov 09:24" in text
    assert "ended Wed 25 Nov 07:24" in text


def test_names_in_any_script_stay_aligned_and_harmless(run: Run, config: Path) -> None:
    """Wide and combining characters do not shift the columns, and no name can steer the terminal."""
    double = ReadStoreDouble()
    for name in ("海鳥", "fa\u0301rol", "\x1b[31mred\x07", "a\u202eb"):
        key = SeriesKey(f"guest {name}", "state")
        double.add(Condition(key, ok=False, reason=f"paused {name}"), None)
        double.raised.append(Alert(key, Concern.FAULTY, State.ACTIVE, Priority.ALARM, 1, 1, NOW, NOW))
    fill(config.with_name("watchkeeper.db"), double)
    text = run("status").stdout
    assert "\x1b" not in text
    assert "\x07" not in text
    assert "\u202e" not in text
    rows = [line for line in text.splitlines() if line.strip().startswith("alarm")]
    assert len(rows) == 4
    assert len({cell_len(row[: row.index("guest")]) for row in rows}) == 1


def test_without_a_database_the_remedy_is_told(run: Run, config: Path) -> None:
    """Exit code 3, and what to do, on stderr alone."""
    result = run("status")
    assert (result.exit_code, result.stdout) == (66, "")
    assert result.stderr == (
        f"watchkeeper: there is no database at {config.with_name('watchkeeper.db')} yet; "
        "start `watchkeeper run`, or name the configuration that it runs with by --config\n"
    )


def test_the_services_database_is_pointed_at(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who asks without a configuration, beside a service that runs, is told where that keeps its own."""
    other = tmp_path / "service.db"
    other.touch()
    monkeypatch.setattr("watchkeeper.cli.database.SYSTEM_STATE", other)
    result = run("events")
    assert result.exit_code == 66
    assert f"the service keeps its own at {other}: read it with WATCHKEEPER_STORE__PATH={other}" in result.stderr


def test_a_database_that_may_not_be_looked_at_is_told_as_such(
    run: Run, config: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A user beside the service may not enter its folder: no traceback, and who may."""
    exists = Path.exists

    def refuse(path: Path) -> bool:
        if path.suffix == ".db":
            raise PermissionError(13, "Permission denied")
        return exists(path)

    monkeypatch.setattr(Path, "exists", refuse)
    result = run("status")
    assert result.exit_code == 77
    place = config.with_name("watchkeeper.db")
    assert result.stderr == (
        f"watchkeeper: {place} may not be looked at by this user; run this as the user that runs watchkeeper\n"
    )
    monkeypatch.setattr(Path, "exists", lambda path: path.suffix != ".db" and exists(path))
    hidden = tmp_path / "hidden" / "service.db"
    monkeypatch.setattr("watchkeeper.cli.database.SYSTEM_STATE", hidden)
    monkeypatch.setattr(Path, "exists", lambda path: refuse(path) if path == hidden else path != place and exists(path))
    assert f"the service keeps its own at {hidden}" in run("status").stderr


def test_messages_that_wait_are_listed(run: Run, config: Path) -> None:
    """With the receiver, and why it has not got them yet."""
    double = filling()
    waits = delivery(double.now)
    fill(config.with_name("watchkeeper.db"), double, [Commit(deliveries=(waits, replace(waits, tries=0, trouble="")))])
    said = " ".join(run("status").stdout.split())
    assert "Messages that wait mail pool skerry full in about 3 days; not delivered after 2 tries, next one" in said
    assert "held for quiet hours until Wed 25 Nov 08:24" in said
