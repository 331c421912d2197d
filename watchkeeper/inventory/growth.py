"""Fetches the recorded history of a host's stores, and the peaks of its memory, for planning.

It queries the store like the page does (model/ports.py). Not here: what the history means
(planning/capacity/growth_pattern.py).
"""

import asyncio
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np

from watchkeeper.forecast.history import LevelHistory
from watchkeeper.inventory.level_history import range_width
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.model.ports import ReadStore
from watchkeeper.model.records import Sample
from watchkeeper.model.units import DAY_S
from watchkeeper.planning.capacity import growth_pattern
from watchkeeper.planning.capacity.answer import Metadata, Peak, Recorded
from watchkeeper.planning.capacity.growth_pattern import Growth
from watchkeeper.planning.host_state import HostNow, StoreNow
from watchkeeper.probes.host import memory

RECORD = timedelta(days=400)
"""Draws use the last eight weeks; the trend may depend on a year."""
PEAK = timedelta(days=30)
"""Memory is looked back on for a month: what is installed changes, and an older peak says little."""
METADATA = "metadata"


async def recorded(store: ReadStore, host: HostNow, wanted: Sequence[StoreNow]) -> Mapping[SeriesKey, Recorded]:
    """The recorded history of the requested stores, by their key."""
    latest = {each.observation.key: each.observation for each in await store.latest()}
    width, out = await range_width(store), {}
    for each in wanted:
        growth, recorded_d = await _growth(store, each.key, host.at, width)
        out[each.key] = Recorded(growth, recorded_d, await _metadata(store, each.key, latest, host.at, width))
    return out


async def _metadata(
    store: ReadStore, key: SeriesKey, latest: Mapping[SeriesKey, object], now: datetime, width: float
) -> Metadata | None:
    """The metadata of the same subject, if it is monitored."""
    own = SeriesKey(key.subject, METADATA)
    seen = latest.get(own)
    if not isinstance(seen, Level):
        return None
    growth, _ = await _growth(store, own, now, width)
    return Metadata(seen.used, seen.capacity, growth)


async def _growth(store: ReadStore, key: SeriesKey, now: datetime, width: float) -> tuple[Growth | None, float]:
    """How a level has grown, and for how many days that is recorded."""
    samples = await store.samples(key, now - RECORD, now)
    return await asyncio.to_thread(grown, samples, now.timestamp(), width)


def grown(samples: Sequence[Sample], now_s: float, width: float = 1.0) -> tuple[Growth | None, float]:
    """How a level has grown according to these samples, oldest first, and how many days they reach back.

    width: of the range of its forecast, in that of its law.
    """
    whole = [(s.at_s, s.value, s.bound) for s in samples if s.value is not None and s.bound is not None]
    if not whole:
        return None, 0.0
    at_s, used, capacity = np.array(whole, dtype=np.float64).T
    if used[-1] >= capacity[-1]:
        # A forecast for a full level only says that it is full, and the question is about a larger store.
        capacity = capacity * 2
    history = LevelHistory()
    history.extend(at_s, used, capacity)
    return growth_pattern.recorded(history, now_s, width), (now_s - float(at_s[0])) / DAY_S


async def memory_peak(store: ReadStore, now: datetime) -> Peak | None:
    """The most memory that was in use recently; None if it is not recorded."""
    samples = await store.samples(SeriesKey(memory.SUBJECT, "in use"), now - PEAK, now)
    values = [(each.at_s, each.value) for each in samples if each.value is not None]
    if not values:
        return None
    return Peak(max(value for _, value in values), (now.timestamp() - values[0][0]) / DAY_S)
