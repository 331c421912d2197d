"""Who brings what: each series' probe, how its runs go, and which conditions explain that a series stays away.

Not here: what a series' own samples mean (core/judgement.py), and what is told (pipeline.py).
"""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from watchkeeper.core.judgement import Judgement
from watchkeeper.core.observation import Condition, Observation, SeriesKey
from watchkeeper.watched import Runs, Watched


class Attendance:
    """runs: of each probe, by its label. owner: the probe that brings each series."""

    def __init__(self) -> None:
        self.runs: dict[str, Runs] = {}
        self.owner: dict[SeriesKey, Watched] = {}
        self._unsound: dict[str, set[SeriesKey]] = {}

    def expect(self, labels: Iterable[str], now: datetime) -> None:
        """These are the probes from now on; what is remembered of the runs of those that stay is kept."""
        self.runs = {label: self.runs.get(label) or Runs(now) for label in labels}

    def see(self, seen: Observation) -> None:
        """Remember which conditions are unsound."""
        if isinstance(seen, Condition):
            unsound = self._unsound.setdefault(seen.key.subject, set())
            (unsound.discard if seen.sound else unsound.add)(seen.key)

    def gone(self, key: SeriesKey) -> None:
        """A series that has gone explains nothing."""
        self._unsound.get(key.subject, set()).discard(key)

    def seen_at(self, judgement: Judgement, every: Mapping[SeriesKey, Judgement]) -> datetime | None:
        """Until when a series could have been seen: its probe's own series is measured by the clock (None), the others
        by it.

        While a condition of the same subject is unsound (a mount that hangs), that is told, and not for each of its
        other series too that no sample comes.
        """
        watched = self.owner[judgement.key]
        if judgement.key == watched.own_key:
            return None
        if judgement.last_at is not None and self._explained(judgement.key, every):
            return judgement.last_at
        return self.runs[watched.label].went_well_at

    def _explained(self, key: SeriesKey, every: Mapping[SeriesKey, Judgement]) -> bool:
        """Does another condition of the same subject say what is wrong, and does its probe still bring that one?"""
        others = (every[each] for each in self._unsound.get(key.subject, ()) if each != key)
        return any(not each.missed(self.runs[self.owner[each.key].label].went_well_at) for each in others)

    def bridge(self, gap: timedelta, now: datetime) -> None:
        """Leave a gap out of what is measured."""
        for runs in self.runs.values():
            runs.bridge(gap, now)
