"""Days gained by freed bytes: exact for a straight line, and never told where there is no end to move."""

from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchkeeper.model.forecast import NoEnd
from watchkeeper.planning.reclaim import gain as freeing_gain
from watchkeeper.planning.reclaim.gain import Recorded, needed_bytes, with_freed

GIB = 2**30
DAY_S = 86_400.0
NOW_S = 30 * DAY_S


def straight(per_day: float, used_now: float = 700 * GIB, capacity: float = 1000 * GIB) -> Recorded:
    """Thirty days of a level that grows by so much a day, hour by hour, without noise."""
    at_s = np.arange(0, NOW_S + 1, 3600)
    used = used_now + (at_s - NOW_S) / DAY_S * per_day
    return Recorded(at_s, used, np.full_like(at_s, capacity))


@given(st.floats(0.5, 20), st.floats(1, 60))
@settings(max_examples=25, deadline=None)
def test_on_a_straight_line_the_need_is_growth_times_time(gib_a_day: float, days: float) -> None:
    """10 GiB a day need 140 GiB for 14 days; within the share to which it is found, on the safe side."""
    recorded = straight(gib_a_day * GIB)
    need = needed_bytes(recorded, days * DAY_S, NOW_S)
    exact = gib_a_day * days * GIB
    assert need is not None
    assert exact * 0.99 <= need <= exact * 1.02
    before, after = with_freed(recorded, 0, NOW_S), with_freed(recorded, need, NOW_S)
    assert before.likely_s is not None
    assert after.likely_s is not None
    assert after.likely_s - before.likely_s >= days * DAY_S


def test_worked_by_hand() -> None:
    """300 GiB left at 10 GiB a day are 30 days; with 140 GiB freed they are 44, and the earliest moves too."""
    recorded = straight(10 * GIB)
    before, after = with_freed(recorded, 0, NOW_S), with_freed(recorded, 140 * GIB, NOW_S)
    assert before.likely_s == pytest.approx(NOW_S + 30 * DAY_S, abs=DAY_S / 4)
    assert after.likely_s == pytest.approx(NOW_S + 44 * DAY_S, abs=DAY_S / 4)
    assert before.earliest_s is not None
    assert after.earliest_s is not None
    assert after.earliest_s - before.earliest_s > 13 * DAY_S


def test_a_nightly_prune_counts_as_it_does_in_the_forecast() -> None:
    """A level that falls back every night and grows by 4 GiB a day: a week needs about 28 GiB."""
    at_s = np.arange(0, NOW_S + 1, 1800)
    saw = (at_s % DAY_S) / DAY_S * 20 * GIB
    recorded = Recorded(at_s, 600 * GIB + at_s / DAY_S * 4 * GIB + saw, np.full_like(at_s, 1000 * GIB))
    need = needed_bytes(recorded, timedelta(days=7).total_seconds(), NOW_S)
    assert need is not None
    assert need == pytest.approx(28 * GIB, rel=0.25)


def test_years_away_is_gained() -> None:
    """A store that is full in nine years: one year more is beyond ten, and that is enough."""
    need = needed_bytes(straight(300 * GIB / 3285), 500 * DAY_S, NOW_S)
    assert need is not None
    assert with_freed(straight(300 * GIB / 3285), need, NOW_S).no_end is NoEnd.FAR


def test_a_full_store_that_grew_up_to_its_end() -> None:
    """It is full now: what comes free is the time that its growth takes to fill it again."""
    recorded = straight(10 * GIB, used_now=1000 * GIB)
    assert with_freed(recorded, 0, NOW_S).full
    need = needed_bytes(recorded, 7 * DAY_S, NOW_S)
    assert need == pytest.approx(70 * GIB, rel=0.05)


def test_without_an_end_nothing_is_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A level that stands still has no time to full; nor is a need found where no amount moves the end."""
    assert needed_bytes(straight(0.0), 7 * DAY_S, NOW_S) is None
    monkeypatch.setattr(freeing_gain, "_lasts", lambda *_: False)
    assert needed_bytes(straight(10 * GIB), 7 * DAY_S, NOW_S) is None
