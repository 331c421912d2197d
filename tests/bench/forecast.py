"""What a forecast costs, against scipy.stats.theilslopes on the same points in the same run. Prints figures only.

Run it as `.venv/bin/python tests/bench/forecast.py`.

- One forecast over a year of hourly history (8,760 points). "New hour": cycle, steps and noise are computed again, as
  once an hour. "Between": only samples have come, as every minute in the daemon.
- theilslopes takes the same 8,760 points; it builds all 38 million pairs.
- A sample is added to histories of a day, a month and a year: its cost does not grow.
- `watchkeeper backtest` as a process of its own over 30, 60 and 90 days at ten minutes, evaluated hourly.
"""

import subprocess
import sys
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from time import perf_counter

import numpy as np
from scipy.stats import theilslopes

from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory

START_S, HOUR_S, DAY_S = 1_767_225_600.0, 3_600.0, 86_400.0
YEAR = 8_760


def level(t_d: np.ndarray) -> np.ndarray:
    """Growth with a nightly prune and noise, in shares of 1000."""
    return 200 + 1.5 * t_d + 40 * ((t_d + 0.3) % 1) + np.random.default_rng(1).normal(0, 1, len(t_d))


def filled(hours: int) -> LevelHistory:
    """A history of so many hourly samples."""
    history = LevelHistory()
    t = np.arange(hours) / 24
    history.extend(START_S + t * DAY_S, level(t), np.full(hours, 1000.0))
    return history


def took_s(work: Callable[[], object], times: int = 25) -> float:
    """The least of some runs: what the work itself costs, whatever else the machine does."""
    out = []
    for _ in range(times):
        begin = perf_counter()
        work()
        out.append(perf_counter() - begin)
    return min(out)


def one_forecast() -> None:
    """A forecast with and without its hourly part, and theilslopes."""
    history, now_s = filled(YEAR), START_S + YEAR * HOUR_S

    def new_hour_forecast() -> None:
        history.kept_for = ()
        forecast(history, now_s)

    new_hour, between = took_s(new_hour_forecast), took_s(lambda: forecast(history, now_s))
    t = np.arange(YEAR) / 24
    slow = took_s(lambda: theilslopes(level(t), t), times=1)
    say(f"forecast over {YEAR} hours: {new_hour * 1e3:.2f} ms in a new hour, {between * 1e3:.2f} ms between")
    say(f"theilslopes on the same points: {slow:.2f} s, {slow / new_hour:,.0f} and {slow / between:,.0f} times as long")


def one_sample() -> None:
    """What a sample costs after a day, a month and a year."""
    for hours in (24, 720, YEAR):
        history, now_s = filled(hours), START_S + hours * HOUR_S
        begin = perf_counter()
        for minute in range(5_000):
            history.add(now_s + minute * 60, 500.0, 1000.0)
        say(f"a sample after {hours:5} hours of history: {(perf_counter() - begin) / 5_000 * 1e6:.1f} us")


def whole_rehearsal() -> None:
    """The command as an operator runs it."""
    with tempfile.TemporaryDirectory() as folder:
        for days in (30, 60, 90):
            path = Path(folder) / f"{days}.csv"
            t = np.arange(0, days, 1 / 144)
            stamps = (datetime.fromtimestamp(START_S + d * DAY_S, UTC).isoformat() for d in t)
            rows = (f"{at},{used:.0f},1000\n" for at, used in zip(stamps, level(t), strict=True))
            path.write_text("time,used,capacity\n" + "".join(rows), encoding="ascii")
            command = [sys.executable, "-m", "watchkeeper", "backtest", "--json", "--every", "1h", str(path)]
            begin = perf_counter()
            done = subprocess.run(command, capture_output=True, check=True)
            lines = done.stdout.count(b"\n")
            say(f"backtest over {days} days: {perf_counter() - begin:.1f} s for {lines} evaluations, start included")


def say(line: str) -> None:
    """Print a line at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    one_forecast()
    one_sample()
    whole_rehearsal()
