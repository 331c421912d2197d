"""A level's recorded history, for plans that ask what would happen if a store held more or less."""

from datetime import datetime, timedelta

import numpy as np

from watchkeeper.alerting.forecast_record import ForecastRecord
from watchkeeper.model.observation import Kind, SeriesKey
from watchkeeper.model.ports import ReadStore
from watchkeeper.planning.reclaim.gain import Recorded

REMEMBER = timedelta(days=1_160)
"""How far back the growth is read: as far as a history reaches (forecast/history.py)."""


async def past_of(store: ReadStore, key: SeriesKey, now: datetime) -> Recorded | None:
    """The recorded history of a level; None if there is none. Raises StoreError."""
    known = {each.key for each in await store.series() if each.kind is Kind.LEVEL}
    samples = await store.samples(key, now - REMEMBER, now) if key in known else ()
    rows = [(each.at_s, each.value, each.bound) for each in samples if each.value is not None and each.bound]
    at_s, used, capacity = np.array(rows, dtype=np.float64).reshape(-1, 3).T
    return Recorded(at_s, used, capacity, await range_width(store)) if rows else None


async def range_width(store: ReadStore) -> float:
    """The width of the 90 % ranges by the record of this host's forecasts, in that of their law. Raises StoreError."""
    record = ForecastRecord()
    record.restore(await store.forecasts())
    return record.width
