"""When noise on a rising trend first touches the capacity, against simulations; and the error of a step's size."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy import signal

from watchkeeper.forecast.noise import Noise, measure, spread, variance
from watchkeeper.model.line import Floats

TRIALS = 4_000


def touched(slope: float, memory: float) -> tuple[float, float]:
    """How far a trend is below capacity when noise of standard deviation 1 first touches it: median and 90 % width.

    memory: the factor of an AR(1) from one sample to the next; the trend rises by `slope` in each.
    """
    rng = np.random.default_rng(11)
    below = 6.0 - rng.uniform(0, slope, TRIALS)  # the trend's phase against the samples
    level, first = rng.normal(size=TRIALS), np.full(TRIALS, np.nan)
    while np.isnan(first).any():
        first = np.where(np.isnan(first) & (level >= below), below, first)
        level = memory * level + np.sqrt(1 - memory**2) * rng.normal(size=TRIALS)
        below = below - slope
    early, middle, late = np.quantile(first, [0.05, 0.5, 0.95])
    return float(middle), float(late - early)


@pytest.mark.parametrize("values", [2, 5, 30, 300])
def test_independent_noise_touches_where_a_simulation_does(values: int) -> None:
    """Median and spread, for so many samples while the trend rises by one standard deviation."""
    middle, width = touched(1 / values, 0.0)
    found, error = Noise(1.0, 0.0, 1.0, 0.0).touch(1 / values, 1.0, 0.0)
    assert found == pytest.approx(middle, abs=0.05)
    assert 3.29 * error == pytest.approx(width, rel=0.06)


@pytest.mark.parametrize(("values", "memory_d"), [(2, 1.0), (5, 0.25), (20, 4.0)])
def test_noise_with_a_memory_touches_where_a_simulation_does(values: int, memory_d: float) -> None:
    """The same for an AR(1) of ten samples a memory, with so many memories; however long these are."""
    middle, width = touched(0.1 / values, float(np.exp(-0.1)))
    found, error = Noise(0.0, 1.0, memory_d, 0.0).touch(1 / values / memory_d, 0.1 * memory_d, 0.0)
    assert found == pytest.approx(middle, abs=0.3)
    assert 3.29 * error == pytest.approx(width, rel=0.1)


def test_values_that_come_farther_apart_than_the_memory_are_independent() -> None:
    """Only the crests of a cycle count: one value in each."""
    crests = Noise(0.0, 1.0, 0.01, 0.0).touch(0.2, 0.01, 1.0)
    assert crests == Noise(1.0, 0.0, 0.01, 0.0).touch(0.2, 1.0, 0.0)


def test_a_level_without_noise_touches_with_its_trend() -> None:
    """Nothing is above the trend, and nothing is uncertain."""
    assert Noise(0.0, 0.0, 1.0, 0.0).touch(1.0, 1.0, 0.0) == (0.0, 0.0)


def test_the_error_of_a_steps_size() -> None:
    """The difference of two medians of three hours, in a simulation of samples every ten minutes."""
    hours = np.random.default_rng(12).normal(size=(TRIALS, 2, 18))
    size = np.diff(np.median(hours, axis=2), axis=1)
    assert Noise(1 / 144, 0.0, 1.0, 0.0).step_error() == pytest.approx(float(size.std()), rel=0.05)


@pytest.mark.parametrize("memory", [2.0, 20.0, 100.0])
def test_the_end_of_a_line_is_as_uncertain_as_in_a_simulation(memory: float) -> None:
    """The least-squares line's value at its last sample, over 400 samples of an AR(1) of sd 1; memory: in samples."""
    part, count = float(np.exp(-1 / memory)), 400
    shocks = np.random.default_rng(17).normal(0, (1 - part**2) ** 0.5, (1_000, count))
    shocks[:, 0] /= (1 - part**2) ** 0.5
    level = signal.lfilter([1.0], [1.0, -part], shocks, axis=1)
    t = np.arange(count) - (count - 1) / 2
    end = level.mean(axis=1) + (level @ t) / (t @ t) * t[-1]
    assert Noise(0.0, 1.0, memory, 0.0).end_variance(float(count)) == pytest.approx(float(end.var()), rel=0.35)


@pytest.mark.parametrize("of", [spread, variance])
def test_noise_of_each_kind_is_measured_as_what_it_was_made_of(of: Callable[[Floats], float]) -> None:
    """20,000 days, two samples each: independent of sd 2; an AR(1) of sd 1 and 2.5 days; a random walk of 2 a day."""
    shocks = np.random.default_rng(1).normal(size=40_000)
    white = measure(2 * shocks, 0.5, of)
    assert white.white / 0.5 + white.sd**2 == pytest.approx(4, rel=0.04)
    assert (white.stray, white.sd) == pytest.approx((0, 0), abs=0.4)
    part = float(np.exp(-0.5 / 2.5))
    reverting = measure(signal.lfilter([(1 - part**2) ** 0.5], [1.0, -part], shocks), 0.5, of)
    assert (reverting.sd, reverting.memory_d) == pytest.approx((1, 2.5), rel=0.1)
    assert (reverting.stray, reverting.white) == pytest.approx((0, 0), abs=0.01)
    assert measure(np.cumsum(shocks), 0.5, of).stray == pytest.approx(2, rel=0.25)
