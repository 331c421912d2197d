"""`backtest --record` says what became of the forecasts that were shown, or would have been."""

import asyncio
import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from tests.cli.backtest.test_backtest import POOL, START, written
from tests.cli.conftest import Run
from watchkeeper.model.forecast_record import KeptForecast, Outcome
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Commit
from watchkeeper.store import Store

START_S = START.timestamp()
DAY = timedelta(days=1)
OPEN = KeptForecast(POOL, START, START_S + 1e5, START_S + 2e5, START_S + 4e5, 500.0, 1000.0, warned=True)
HELD = replace(OPEN, outcome=Outcome.FILLED, decided_at=START + 3 * DAY, held=True, error=0.12, miss=0.0)
MISSED = replace(OPEN, latest_s=None, outcome=Outcome.PASSED, decided_at=START + 5 * DAY, held=False, miss=1.0)
CUT = replace(OPEN, outcome=Outcome.CLEARED, decided_at=START + DAY, miss=0.06)


def stored(path: Path) -> None:
    """Eleven that held, one that missed, one that was cut short, one that is open; and one of another pool."""
    ends = [*([HELD] * 11), MISSED, CUT, OPEN]
    kept = [replace(each, at=START + n * timedelta(hours=1)) for n, each in enumerate(ends)]

    async def write() -> None:
        async with await Store.open(path) as store:
            await store.commit(Commit(forecasts=(*kept, replace(OPEN, key=SeriesKey("pool jetty", "space")))))

    asyncio.run(write())


def test_the_record_of_the_host(run: Run, config: Path) -> None:
    """One line for all, how wide the ranges are now, and a line for each level."""
    stored(config.with_name("watchkeeper.db"))
    result = run("backtest", "--record")
    assert result.exit_code == 0
    said = " ".join(result.stdout.split())
    line = "f 12 forecasts whose time has come, 11 held; median error 12 %; full once, with a warning early enough"
    assert f"O{line}; 1 other ended early" in said
    assert "The 90 % ranges are as wide as calculated: the record has not changed them." in said
    assert f"pool skerry o{line}" in said
    assert "pool jetty too few forecasts whose time has come to judge them: none so far" in said


def test_the_forecasts_of_one_level(run: Run, config: Path) -> None:
    """Each with its range and what became of it, in the host's time."""
    stored(config.with_name("watchkeeper.db"))
    said = " ".join(run("backtest", "--record", "--subject", "pool skerry").stdout.split())
    assert "full Sat 3 Jan 07:33 (Fri 2 Jan 03:46 to Mon 5 Jan 15:06); full Sun 4 Jan 00:00: held, 12 % off" in said
    assert "(Fri 2 Jan 03:46 to never); range passed, not full Tue 6 Jan 00:00: missed" in said
    assert "room was made Fri 2 Jan 00:00: not judged" in said
    assert said.count("; open") == 1
    other = run("backtest", "--record", "--subject", "pool mole")
    assert other.exit_code == 64
    assert 'no forecast of "pool mole" has been kept' in other.stderr


def test_the_record_as_json(run: Run, config: Path) -> None:
    """One object: all together, and each series."""
    stored(config.with_name("watchkeeper.db"))
    found = json.loads(run("backtest", "--record", "--json").stdout)
    assert (found["forecasts"], found["held"], found["cut_short"]) == (12, 11, 1)
    assert (found["median_error"], found["fills"], found["warned_in_time"]) == (0.12, 1, 1)
    assert found["range_width"] < 1
    assert [each["subject"] for each in found["series"]] == ["pool skerry", "pool jetty"]


def test_a_database_without_forecasts(run: Run, config: Path) -> None:
    """It says so."""

    async def make() -> None:
        async with await Store.open(config.with_name("watchkeeper.db")):
            pass

    asyncio.run(make())
    said = run("backtest", "--record").stdout
    assert said.startswith("Too few forecasts whose time has come to judge them: none so far.")
    assert "the record has not changed them" in " ".join(said.split())


def test_the_record_over_a_file(run: Run, tmp_path: Path) -> None:
    """What a daemon would have kept over that history; the growth is even, so the likely time is nearly exact."""
    result = run("backtest", "--record", str(written(tmp_path / "skerry.csv", 40)), "--json")
    found = json.loads(result.stdout)
    assert found["forecasts"] > 10
    assert found["held"] >= 0.8 * found["forecasts"]
    assert found["median_error"] < 0.02
    assert (found["fills"], found["warned_in_time"]) == (1, 1)
