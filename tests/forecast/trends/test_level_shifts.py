"""Drops that clear what a rise has brought, on lattices whose answer is plain."""

import numpy as np
import pytest

from watchkeeper.forecast.trends.level_shifts import Rise, clearings, find_steps


def test_a_drop_at_the_very_beginning_clears_nothing() -> None:
    """No rise is known before it; the rise after it, which ends in a drop, is found with its place and height."""
    lattice = np.array([12.0, 12, *np.arange(1, 12.25, 0.25), 1, 1, 1, 1])
    (found,) = clearings(lattice, floor=3.0)
    assert isinstance(found, Rise)
    # A drop is placed within two steps, so the peak is that of a neighbour: a quarter less at each.
    assert found.peak == pytest.approx(12, abs=0.5)
    assert found.height == pytest.approx(11, abs=0.5)
    assert abs(found.end - int(np.flatnonzero(lattice == 12)[-1])) <= 2


def test_a_level_that_only_drops_is_never_cleared() -> None:
    """What was there at the beginning went away at once and nothing came after it."""
    assert clearings(np.array([9.0, 9, 1, 1, 1, 1, 1, 1]), floor=3.0) == ()


def test_the_size_of_a_step_is_without_the_growth_around_it() -> None:
    """A step of a known size on a straight line, from one lattice place to the next."""
    lattice = 3 * np.arange(100, dtype=np.float64)
    lattice[50:] += 200
    (found,) = find_steps(lattice, np.ones(100, bool), floor=20.0)
    assert found.size == pytest.approx(200, abs=1e-9)


@pytest.mark.parametrize("base", [0.0, 500.0])
def test_a_growth_that_goes_on_is_no_step(base: float) -> None:
    """Fast growth that has not ended: wherever the level is, it is no completed step."""
    lattice = np.full(200, base)
    lattice[180:] += 20 * np.arange(1, 21)
    assert find_steps(lattice, np.ones(200, bool), floor=5.0) == ()
    (ended,) = find_steps(np.append(lattice, np.full(12, lattice[-1])), np.ones(212, bool), floor=5.0)
    assert ended.size == pytest.approx(400, rel=0.1)


@pytest.mark.parametrize(("places", "found"), [(54, 0), (55, 1), (60, 1)])
def test_a_step_is_complete_once_two_usual_changes_follow(places: int, found: int) -> None:
    """A step at place 50; changes are taken over three places, so from 50 to 53 and from 51 to 54 nothing happens."""
    lattice = np.where(np.arange(places) < 50, 300.0, 500.0)
    assert len(find_steps(lattice, np.ones(places, bool), floor=20.0)) == found
