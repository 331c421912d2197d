"""Levels over time for the tests of the forecast: histories made from arrays, in days and shares of 1000."""

import numpy as np

from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S

START_S = 1_767_225_600.0  # 2026-01-01, a Thursday
CAPACITY = 1000.0


def every(minutes: float, days: float) -> Floats:
    """Times in days, from 0 on."""
    return np.arange(0, days, minutes / 1440)


def noise(n: int, sd: float, seed: int = 1) -> Floats:
    """Independent noise."""
    return np.random.default_rng(seed).normal(0, sd, n)


def history_of(t: Floats, used: Floats, capacity: float = CAPACITY, start_s: float = START_S) -> LevelHistory:
    """A history of samples at these days."""
    out = LevelHistory()
    out.extend(start_s + t * DAY_S, used, np.full(len(t), capacity))
    return out


def seen(t: Floats, used: Floats, capacity: float = CAPACITY) -> Forecast:
    """What is forecast right after the last sample."""
    return forecast(history_of(t, used, capacity), START_S + float(t[-1]) * DAY_S)


def day(at_s: float | None) -> float:
    """An instant in days since the start; infinite for none."""
    return np.inf if at_s is None else (at_s - START_S) / DAY_S
