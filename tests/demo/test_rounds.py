"""The demo's pool fills again in each round: the forecast is right the second time, and the tenth."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from watchkeeper.alerting.backtest import replay
from watchkeeper.alerting.rules import Rules
from watchkeeper.demo import story
from watchkeeper.demo.story import CAPACITY, HISTORY, KEEPER_COMES, PRUNING_STOPS, ROUND, Moment
from watchkeeper.model.alert import Priority
from watchkeeper.model.units import DAY_S, HOUR_S

BEGUN = datetime(2026, 11, 25, 8, tzinfo=UTC)
ROUNDS = 10
AHEAD_D = 1.5

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300), pytest.mark.untraced]


def test_the_pool_is_warned_of_a_day_and_a_half_ahead_in_each_round() -> None:
    """A warning or an alarm is active 36 hours before the pool is full, in ten rounds of the same story."""
    t = np.arange(-HISTORY / timedelta(days=1), ROUNDS * ROUND, 1 / 48)
    used = np.array([min(story.pool_used(Moment(BEGUN + timedelta(days=d), BEGUN)), CAPACITY) for d in t])
    at_s = BEGUN.timestamp() + t * DAY_S
    walked = list(replay(at_s, used, np.full(len(t), CAPACITY), HOUR_S, Rules()))
    now = np.array([each.at_s for each in walked])
    active = np.array([(each.priority or 0) >= Priority.WARNING for each in walked])
    for number in range(ROUNDS):
        begins = number * ROUND
        own = (t > begins + PRUNING_STOPS) & (t < begins + KEEPER_COMES)
        full_s = float(at_s[own][used[own] >= 0.999 * CAPACITY][0])
        before = int(np.flatnonzero(now <= full_s - AHEAD_D * DAY_S)[-1])
        assert active[before], f"round {number + 1}"
