"""Simulated days with everything real but the clock: what grows without end would show.

The month is lived through by tests/bench/soak.py, which prints a table.
"""

from pathlib import Path

import pytest

from tests.support.soaking import DAY_S, soaking

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900), pytest.mark.untraced]

SERIES, DAYS = 30, 3
MIB = 2**20
OBJECTS_MORE = 0.01
"""Of what Python's collector knows, so much more after the first day: alerts and caches come and go."""
MEMORY_MORE = 0.10
"""Of resident memory: histories fill up to their eight weeks, SQLite its caches, the allocator its arenas. In the month
of 200 series it was 9 % in 29 days, half of it the histories, and 1 % of it in the last nine days."""


async def test_days_leave_nothing_behind(tmp_path: Path) -> None:
    """After the first day handles stay exactly as many, objects and memory as good as, and the bound is held."""
    async with soaking(tmp_path, SERIES, samples_s=1.5 * DAY_S, most_bytes=2 * MIB) as house:
        days = [day async for day in house.live(DAYS)]
    first, *later = days
    assert [day.handles for day in later] == [first.handles] * len(later)
    for day in later:
        assert day.objects <= first.objects * (1 + OBJECTS_MORE)
        assert day.rss_bytes <= first.rss_bytes * (1 + MEMORY_MORE)
        assert day.database_bytes <= 2 * MIB
        assert day.rows["samples"] <= 1.6 * first.rows["samples"]
    assert later[-1].rows["hours"] > 0
    assert later[-1].rows["outbox"] > first.rows["outbox"] > 0
    assert house.read > MIB / 4
