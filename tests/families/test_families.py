"""A few cases of the families, as a guard; the whole table is printed by judge.py."""

from dataclasses import replace

import numpy as np
import pytest

from tests.families import first, heldout, tuned
from tests.families.judge import judge, rows
from tests.families.shapes import DAY, HOUR, Family, cut, days, make

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300), pytest.mark.untraced]

FILLING: list[Family] = [first.runaway, tuned.new_and_filling, tuned.slow_runaway, heldout.by_the_minute]
STILL: list[Family] = [first.imports_only, first.nightly_prune, first.high_but_still, heldout.big_job, heldout.flat]


@pytest.mark.parametrize("family", FILLING, ids=lambda f: f.__name__)
def test_what_fills_is_warned_of_once_and_in_time(family: Family) -> None:
    """A warning stands 48 h before the end, or half-way where that is later; raised once, and the end is known."""
    made = make(family, 3)
    found = judge(made, rows(made))
    assert found["caught"] == 1
    assert found["raises"] == 1
    assert found["log_err"] < 0.15
    assert found["false_h"] == 0


@pytest.mark.parametrize("family", STILL, ids=lambda f: f.__name__)
def test_what_does_not_fill_is_not_warned_of(family: Family) -> None:
    """Imports, prunes, noise near the top, one big job and a flat line raise nothing."""
    made = make(family, 3)
    assert made.full_at is None
    assert judge(made, rows(made, 2 * HOUR)) == {"false_h": 0, "raises": 0}


@pytest.mark.parametrize(("family", "seed", "n_days"), [(first.imports_only, 911, 15), (first.weekly_prune, 915, 12)])
def test_a_completed_import_and_a_first_week_raise_nothing(family: Family, seed: int, n_days: int) -> None:
    """Each hour from the first one on; the record begins within a rise, which is cleared on the fifth day."""
    whole = make(family, seed)
    own = whole.time < n_days * DAY
    made = replace(whole, time=whole.time[own], used=whole.used[own], capacity=whole.capacity[own])
    assert judge(made, rows(made)) == {"false_h": 0, "raises": 0}


def test_the_judge_counts_what_it_says() -> None:
    """A made-up walk: full on day 40, a warning from day 30 on and falsely on day 2, an end that is 10 % off."""
    t = days(50)
    case = cut("judged", t, t / (40 * DAY))
    now = np.arange(0, 40 * DAY, HOUR)
    standing = (now >= 30 * DAY) | ((now >= 2 * DAY) & (now < 3 * DAY))
    likely = now + 1.1 * (40 * DAY - now)
    seen = np.column_stack((now, likely, now, likely, standing))
    found = judge(case, seen)
    assert found["false_h"] == 24
    assert found["raises"] == 2
    assert found["caught"] == 1
    assert found["lead_d"] == pytest.approx(38)
    assert found["log_err"] == pytest.approx(np.log(1.1))
    assert found["cover"] == 1
