"""Things that wait to be done, each with the time when it was first seen; late after a limit. Pure."""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from watchkeeper.model.observation import Deadline, Facts, SeriesKey

MOST = 2000
"""So many things are remembered; a release upgrade brings about that many updates."""


class Waiting:
    """What waits now. before: what waited at the last look, and since when."""

    def __init__(self, before: Mapping[str, datetime], now: datetime) -> None:
        self._before, self._now = before, now
        self.seen: dict[str, datetime] = {}

    def deadline(self, key: SeriesKey, names: Iterable[str], limit_s: float, facts: Facts = ()) -> Deadline:
        """Everything with these names must be done within the limit of when it was first seen.

        With nothing to do, now is the last time at which all was done.
        """
        oldest = self._now
        for name in names:
            since = min(self._before.get(name, self._now), self._now)
            oldest = min(oldest, since)
            if len(self.seen) < MOST:
                self.seen[name] = since
        return Deadline(key, oldest + timedelta(seconds=limit_s), oldest, limit_s, facts)
