"""The rows of the forecasts that were kept: written again when they are decided, and bounded for each series.

Not here: which forecasts are kept and how they are scored (alerting/forecast_record.py).
"""

import sqlite3
from collections.abc import Iterable

from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.codec import KEPT_FORECAST, key_column
from watchkeeper.store.rows.timestamps import to_us

MOST = 200
"""Rows of one series, the newest: some years of a level that is seldom near its end, and a month of one that always
is."""

_ROW = (
    "INSERT INTO forecasts (key, at_us, body, crc) VALUES (?, ?, ?, ?)"
    " ON CONFLICT (key, at_us) DO UPDATE SET body = excluded.body, crc = excluded.crc"
)
_BOUND = (
    "DELETE FROM forecasts WHERE key = :key"
    " AND id <= (SELECT id FROM forecasts WHERE key = :key ORDER BY id DESC LIMIT 1 OFFSET :most)"
)


def write(conn: sqlite3.Connection, forecasts: Iterable[KeptForecast]) -> None:
    """Write these, in place of their earlier state, and delete the oldest of a series that has too many."""
    for each in forecasts:
        values = (key_column(each.key), to_us(each.at), KEPT_FORECAST.dumps(each))
        conn.execute(_ROW, (*values, checked_rows.checksum(*values)))
        if each.outcome is None:
            conn.execute(_BOUND, {"key": values[0], "most": MOST})
