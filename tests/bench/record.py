"""What the record of forecasts costs: `.venv/bin/python -m tests.bench.record [--series 300]`.

The time of one sample that changes nothing, for a level without a date and for one with open forecasts; how many rows
and bytes a year of levels comes to that all have a date all the time, the worst case, and how long they take to read at
a start; and how long the test for an unusual growth takes, once an hour.
"""

import argparse
import asyncio
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from time import process_time

import numpy as np

from watchkeeper.alerting.forecast_record import ForecastRecord
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.hourly_features import study
from watchkeeper.forecast.unusual_growth import with_unusual_growth
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Commit
from watchkeeper.model.units import DAY_S, HOUR_S
from watchkeeper.store import Store

START_S = 1_767_225_600.0
REPEATS = 20_000


def key(number: int) -> SeriesKey:
    """The number-th level."""
    return SeriesKey(f"pool {number}", "space")


def found(at_s: float, left_d: float | None) -> Forecast:
    """A forecast with a range of half to twice the time left."""
    if left_d is None:
        return Forecast(at_s, 500.0, 1000.0, no_end=NoEnd.STILL)
    early, likely, late = (at_s + factor * left_d * DAY_S for factor in (0.5, 1.0, 2.0))
    return Forecast(at_s, 500.0, 1000.0, early, likely, late)


def timed(work: Callable[[int], object], repeats: int) -> float:
    """Microseconds of processor time for one call."""
    began = process_time()
    for number in range(repeats):
        work(number)
    return (process_time() - began) / repeats * 1e6


def samples() -> tuple[float, float]:
    """Microseconds of a sample without a date, and of one with eight open forecasts that decides none of them."""
    quiet, busy = ForecastRecord(), ForecastRecord()
    for n in range(8):
        busy.note(key(0), found(START_S + n * DAY_S, 4.0), 0.0, warned=False)
    still = [found(START_S + n, None) for n in range(REPEATS)]
    near = [found(START_S + 7 * DAY_S + 1 + n / 100, 4.0) for n in range(REPEATS)]
    return (
        timed(lambda n: quiet.note(key(0), still[n], 0.0, warned=False), REPEATS),
        timed(lambda n: busy.note(key(0), near[n], 0.0, warned=False), REPEATS),
    )


def a_year(series: int, left_d: float) -> list[KeptForecast]:
    """All that is kept of levels that are always so many days from full, by one sample an hour; the newest state."""
    record, kept = ForecastRecord(), dict[tuple[SeriesKey, datetime], KeptForecast]()
    for hour in range(365 * 24):
        for number in range(series):
            new = record.note(key(number), found(START_S + hour * HOUR_S, left_d), 0.0, warned=False)
            kept.update({(each.key, each.at): each for each in new})
    return list(kept.values())


async def stored(rows: list[KeptForecast], path: Path) -> tuple[int, int, float]:
    """Rows and bytes in the database, and seconds of processor time to read them and to continue from them."""
    async with await Store.open(path) as store:
        for first in range(0, len(rows), 500):
            await store.commit(Commit(forecasts=tuple(rows[first : first + 500])))
        before = (await store.extent()).size_bytes
        began = process_time()
        there = await store.forecasts()
        ForecastRecord().restore(there)
        return len(there), before, process_time() - began


def unusual() -> float:
    """Milliseconds of the test over eight weeks of hours."""
    history, rng = LevelHistory(), np.random.default_rng(1)
    for hour in range(1_400):
        history.add(START_S + hour * HOUR_S, 500 + float(rng.normal(0, 2)), 1000.0)
    study(history, 1000.0)
    given = Forecast(START_S + 1_400 * HOUR_S, 500.0, 1000.0, no_end=NoEnd.STILL)

    def once(_: int) -> None:
        history.rise_for = ()
        with_unusual_growth(given, history)

    return timed(once, 200) / 1000


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--series", type=int, default=300)
    args = parser.parse_args()
    quiet, busy = samples()
    lines = [f"a sample without a date {quiet:.2f} us, with eight open forecasts {busy:.2f} us of processor time"]
    for left_d in (60.0, 4.0, 0.1):
        own = a_year(1, left_d)
        rows = [replace(each, key=key(number)) for number in range(args.series) for each in own]
        with tempfile.TemporaryDirectory() as folder:
            count, size, took = asyncio.run(stored(rows, Path(folder) / "watchkeeper.db"))
        a_row = size / max(count, 1)
        lines.append(
            f"always {left_d:g} days from full: {len(own)} rows of a series in a year; {args.series} series: "
            f"{count} rows kept, {size / 1e6:.1f} MB, {a_row:.0f} bytes a row; read at a start in {took:.2f} s"
        )
    lines.append(f"the test for an unusual growth, once an hour for each level: {unusual():.2f} ms")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
