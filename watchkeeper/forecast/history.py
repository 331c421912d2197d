"""The samples of one level that a forecast uses: recent ones unchanged, then hours, then days.

Adding a sample costs the same however long the history is, and the memory is bounded. What may live here: keeping and
condensing. Not here: the interpretation of the numbers (level_shifts.py, cycle.py, stable_segment.py).

Hours and days are counted from the first sample, so that shifting all times does not change the result. An hour keeps
its median, because the median of a straight line is its middle and one outlier does not move it.
"""

from array import array
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from watchkeeper.model.line import Floats
from watchkeeper.model.units import HOUR_S

RECENT = 720
"""Samples kept unchanged: 12 h at one per minute. They show a runaway."""
HOURS = 56 * 24
"""Hours kept: eight weeks, so that a weekly cycle is seen eight times."""
DAYS = 1_100
"""Days kept: three years."""
LATEST_S, MOST = 2.5e11, 1e100
"""Numbers beyond these are not valid times or amounts: the probe is faulty."""
IN_HOUR = 240
"""Samples kept of an hour until it closes; if there are more, every other one is dropped, repeatedly."""
SPARE = 4
"""The share of the kept rows for which there is room besides, as a divisor. With as many again, a history took 115 KiB
more once it was full; the kept rows are moved once in a hundred samples or more either way."""


@dataclass(frozen=True, slots=True)
class Grain:
    """Condensed periods of equal length, oldest first: index of the period, mean time, middle, lowest, highest."""

    index: NDArray[np.int64]
    at: Floats
    middle: Floats
    low: Floats
    high: Floats


class _Store:
    """Rows of floats, appended at the end and dropped at the front, in amortised constant time.

    Memory is allocated with the first row: most series are not levels and never have one. When the spare rows at the
    end are used up, the kept ones are moved to the front.
    """

    def __init__(self, keep: int, width: int) -> None:
        self._keep, self._rows = keep, np.empty((0, width))
        self._start = self._end = 0

    @property
    def rows(self) -> Floats:
        """The rows kept, oldest first; a view."""
        return self._rows[self._start : self._end]

    def append(self, row: tuple[float, ...]) -> None:
        if not len(self._rows):
            self._rows = np.empty((self._keep + self._keep // SPARE, self._rows.shape[1]))
        if self._end == len(self._rows):
            kept = self._rows[self._end - self._keep + 1 :].copy()
            self._start, self._end = 0, len(kept)
            self._rows[: len(kept)] = kept
        self._rows[self._end] = row
        self._end += 1
        self._start = max(self._start, self._end - self._keep)

    def insert(self, place: int, row: tuple[float, ...]) -> None:
        """Insert a row before the place-th one. This makes a copy; late samples are rare."""
        kept = np.insert(self.rows, place, row, axis=0)[-self._keep :]
        self._start, self._end = 0, len(kept)
        self._rows[: len(kept)] = kept

    def truncate(self, place: int) -> None:
        """Drop the rows from the place-th one on."""
        self._end = self._start + place


class LevelHistory:
    """Samples of one level: add() takes one, extend() takes many; recent(), hours() and days() return them."""

    def __init__(self) -> None:
        self.anchor_s = 0.0
        self._count = 0
        self._recent = _Store(RECENT, 3)
        self._hours = _Store(HOURS, 5)
        self._days = _Store(DAYS, 5)
        self._open_at, self._open_used = array("d"), array("d")
        self._open_hour = 0
        self._open_stride = 1
        self._open_seen = 0
        self.closed = 0  # how often an hour was closed or changed; derived results are valid while it is the same
        self.kept: object | None = None  # whatever the forecast derived from the closed hours
        self.kept_for: tuple[float, ...] = ()
        self.rise: object | None = None  # an unusual rise of the closed hours (unusual_growth.py)
        self.rise_for: tuple[float, ...] = ()

    def __len__(self) -> int:
        return self._count

    def add(self, at_s: float, used: float, capacity: float) -> None:
        """Add one sample: seconds since 1970, used and capacity in the level's unit.

        Of two samples of the same time the later one replaces the earlier. A sample older than the newest one means
        that the clock was set back: it is kept in its place, and recent samples from the future are dropped. Values
        outside every calendar and store (times beyond the year 9999, amounts beyond 1e100) are ignored.
        """
        if not (abs(at_s) < LATEST_S and abs(used) < MOST and abs(capacity) < MOST):
            return
        if not self._count:
            self.anchor_s = at_s
            self._open_hour = 0
        self._count += 1
        self._add_recent(at_s, used, capacity)
        self._add_hour(at_s, used)

    def extend(self, at_s: ArrayLike, used: ArrayLike, capacity: ArrayLike) -> None:
        """Add many samples, oldest first, as when the daemon starts and reads what it has stored."""
        rows = zip(
            np.asarray(at_s, float).tolist(),
            np.asarray(used, float).tolist(),
            np.asarray(capacity, float).tolist(),
            strict=True,
        )
        for row in rows:
            self.add(*row)

    def recent(self) -> tuple[Floats, Floats, Floats]:
        """(seconds since 1970, used, capacity) of the samples kept unchanged, oldest first; views."""
        rows = self._recent.rows
        return rows[:, 0], rows[:, 1], rows[:, 2]

    def hours(self) -> Grain:
        """The closed hours, oldest first; the hour that is still open is only in recent()."""
        return _grain(self._hours.rows)

    def days(self) -> Grain:
        """Days older than the hours, oldest first."""
        return _grain(self._days.rows)

    def _add_recent(self, at_s: float, used: float, capacity: float) -> None:
        row = (at_s, used, capacity)
        times = self._recent.rows[:, 0]
        if not len(times) or at_s > times[-1]:
            self._recent.append(row)
            return
        self._recent.truncate(bisect_left(times, at_s))
        self._recent.append(row)

    def _add_hour(self, at_s: float, used: float) -> None:
        hour = int((at_s - self.anchor_s) // HOUR_S)
        if hour != self._open_hour and self._open_at:
            self._close_hour()
        self._open_hour = hour
        if self._open_seen % self._open_stride == 0:
            self._open_at.append(at_s)
            self._open_used.append(used)
        self._open_seen += 1
        if len(self._open_at) >= IN_HOUR:
            self._open_at, self._open_used = self._open_at[::2], self._open_used[::2]
            self._open_stride *= 2

    def _close_hour(self) -> None:
        times, used = self._open_at, self._open_used
        row = (float(self._open_hour), _median(times), _median(used), min(used), max(used))
        self._open_at, self._open_used = array("d"), array("d")
        self._open_stride, self._open_seen = 1, 0
        self.closed += 1
        rows = self._hours.rows
        if len(rows) and row[0] <= rows[-1, 0]:
            self._late_hour(row)
            return
        if len(rows) == HOURS:
            self._to_day(tuple(rows[0].tolist()))
        self._hours.append(row)

    def _late_hour(self, row: tuple[float, ...]) -> None:
        """Store an hour that was closed early, or comes after a later one: the clock was set back."""
        rows = self._hours.rows
        place = int(np.searchsorted(rows[:, 0], row[0]))
        if rows[place, 0] == row[0]:
            rows[place] = row
        else:
            self._hours.insert(place, row)

    def _to_day(self, hour: tuple[float, ...]) -> None:
        """Merge an hour that is too old into its day. The day's running mean is kept in its row."""
        day, rows = hour[0] // 24, self._days.rows
        if not len(rows) or rows[-1, 0] < day:
            self._days.append((day, *hour[1:]))
            self._in_day = 1
            return
        self._in_day += 1
        last = rows[-1]
        last[1] += (hour[1] - last[1]) / self._in_day
        last[2] += (hour[2] - last[2]) / self._in_day
        last[3], last[4] = min(last[3], hour[3]), max(last[4], hour[4])


def _median(values: Sequence[float]) -> float:
    """The median. On start half a million hours are closed, and numpy's takes ten times as long for so few values."""
    ordered, middle = sorted(values), len(values) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2


def _grain(rows: Floats) -> Grain:
    return Grain(rows[:, 0].astype(np.int64), rows[:, 1], rows[:, 2], rows[:, 3], rows[:, 4])
