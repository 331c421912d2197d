"""The replay: runs through a record as the daemon would, and never looks ahead."""

import numpy as np
import pytest
from statsmodels.datasets import nile

from tests.forecast.levels import CAPACITY, START_S, every, noise
from watchkeeper.alerting.backtest import Evaluation, replay
from watchkeeper.alerting.rules import FullRule, Rules
from watchkeeper.model.alert import NotificationKind, Priority
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S

HOUR_S = 3600.0
DEFAULT = Rules()


def walked(t: Floats, used: Floats, every_s: float = HOUR_S, rules: Rules = DEFAULT) -> list[Evaluation]:
    """Walk a level whose times are in days."""
    return list(replay(START_S + t * DAY_S, used, np.full(len(t), CAPACITY), every_s, rules))


def filling(days: float = 40) -> tuple[Floats, Floats]:
    """2 % a day from 30 % on, with some noise."""
    t = every(30, days)
    used = 300 + 20 * t + noise(len(t), 2)
    end = int(np.argmax(used >= CAPACITY)) + 1 if (used >= CAPACITY).any() else len(t)
    return t[:end], used[:end]


def test_every_full_step_from_the_first_sample_on_is_evaluated() -> None:
    """With samples at 0, 30, 60, 70 min and steps of 20 min there are evaluations at 0, 20, 40 and 60 min."""
    t = np.array([0, 30, 60, 70]) / 1440
    seen = walked(t, np.array([1.0, 2, 3, 4]), every_s=1200)
    assert [round((e.at_s - START_S) / 60) for e in seen] == [0, 20, 40, 60]
    assert [e.forecast.used for e in seen] == [1, 1, 2, 3]


def test_it_never_looks_ahead() -> None:
    """Cutting the future off changes nothing of what was said before it."""
    t, used = filling()
    whole = walked(t, used, 4 * HOUR_S)
    for days in (3.0, 11.3, 24.0):
        kept = t <= days
        short = walked(t[kept], used[kept], 4 * HOUR_S)
        assert short == whole[: len(short)]


def test_one_episode_is_one_alert() -> None:
    """A steady fill is a caution 30 days ahead, then a warning 7 days and an alarm a day ahead, each told once."""
    moves = [m for e in walked(*filling()) for m in e.transitions]
    assert [(m.notification, m.after.priority) for m in moves] == [
        (NotificationKind.RAISED, Priority.CAUTION),
        (NotificationKind.WORSE, Priority.WARNING),
        (NotificationKind.WORSE, Priority.ALARM),
    ]
    left_d = [35 - (m.at.timestamp() - START_S) / DAY_S for m in moves]
    assert left_d[1:] == [pytest.approx(7, abs=0.3), pytest.approx(1, abs=0.2)]


def test_the_rules_that_it_is_given_count() -> None:
    """With the warning at two days there is none before."""
    seen = walked(*filling(), rules=Rules(full=FullRule(warning_s=2 * DAY_S)))
    first = next(e for e in seen if (e.priority or 0) >= Priority.WARNING)
    assert 35 - (first.at_s - START_S) / DAY_S == pytest.approx(2, abs=0.2)


def test_no_samples_are_no_evaluations() -> None:
    """An empty record is walked through at once."""
    assert walked(np.array([]), np.array([])) == []


def test_a_river_is_not_a_store_that_fills() -> None:
    """The Nile's yearly flow (statsmodels' data set `nile`, 1871 to 1970), taken as days: it wanders and never fills.

    Written down from a run: of 100 evaluations none raises a warning, though the level comes within 2 % of the top.
    """
    flow = nile.load().data["volume"].to_numpy(float)
    top = float(flow.max()) * 1.02
    at = START_S + np.arange(len(flow), dtype=np.float64) * DAY_S
    seen = list(replay(at, flow, np.full(len(flow), top), DAY_S, Rules()))
    assert len(seen) == 100
    assert max(e.priority or 0 for e in seen) < Priority.WARNING
