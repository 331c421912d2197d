"""The registry of all monitored series: the evaluator, the probe and the next evaluation of each.

To drop a series is one `del`: everything known about it is in its entry, and what is looked up by other keys (what is
down, which conditions explain missing samples) is updated with it. The runs of each probe are here too: they measure
how long a series has had no sample. Not here: alerts (alerting/alert_book.py), what a sample means
(alerting/evaluator.py), and what is reported (pipeline.py).
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence, ValuesView
from dataclasses import dataclass
from datetime import datetime, timedelta

from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.correlation.correlation import is_down
from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.model.observation import Condition, Observation, SeriesKey
from watchkeeper.periodic.decision_log import Explained
from watchkeeper.runtime.scheduled_probe import ProbeRuns, ScheduledProbe


@dataclass(slots=True, eq=False)
class SeriesEntry:
    """One monitored series.

    owner: the probe that delivers it. next_evaluation: when time alone may next change something about it. orphaned:
    its probe was removed from the configuration, and no other has delivered it yet. explained: what was last logged
    about it. decided: which decisions about it were last kept.
    """

    evaluator: SeriesEvaluator
    owner: ScheduledProbe
    next_evaluation: datetime | None = None
    orphaned: bool = False
    explained: Explained | None = None
    decided: Explained | None = None

    @property
    def last_seen(self) -> datetime | None:
        """When its last sample came."""
        return self.evaluator.last_at


class SeriesRegistry(Mapping[SeriesKey, SeriesEntry]):
    """The series by their keys. runs: the runs of each probe of the configuration, by its label."""

    def __init__(self, book: AlertBook) -> None:
        """book: holds the alerts of the series."""
        self._book = book
        self._entries: dict[SeriesKey, SeriesEntry] = {}
        self._faulty: dict[str, set[SeriesKey]] = {}
        self.down: dict[SeriesKey, datetime] = {}
        """Each thing that is down, and since when."""
        self.runs: dict[str, ProbeRuns] = {}

    def __getitem__(self, key: SeriesKey) -> SeriesEntry:
        return self._entries[key]

    def __iter__(self) -> Iterator[SeriesKey]:
        return iter(self._entries)

    def __len__(self) -> int:
        return len(self._entries)

    def values(self) -> ValuesView[SeriesEntry]:
        """The entries, in the order in which the series were first seen."""
        return self._entries.values()

    def __delitem__(self, key: SeriesKey) -> None:
        del self._entries[key]
        self.disregard(key)

    def entry(self, owner: ScheduledProbe, seen: Observation) -> SeriesEntry:
        """The entry of a series that a probe delivers. A series whose kind changed is a new one."""
        entry = self._entries.get(seen.key)
        if entry is None or entry.evaluator.kind is not seen.kind:
            evaluator = SeriesEvaluator(seen.key, seen.kind, owner.interval_s, owner.rules, self._book)
            entry = self._entries[seen.key] = SeriesEntry(evaluator, owner)
        elif entry.orphaned:
            _give(entry, owner)
        entry.owner, entry.orphaned = owner, False
        return entry

    def mark(self, seen: Observation, now: datetime) -> None:
        """Record whether a thing is down, and whether its condition explains missing samples of its subject."""
        key = seen.key
        if isinstance(seen, Condition):
            if not seen.ok:
                self._faulty.setdefault(key.subject, set()).add(key)
            elif key.subject in self._faulty:
                self._faulty[key.subject].discard(key)
        if is_down(seen):
            self.down.setdefault(key, now)
        elif key in self.down:
            del self.down[key]

    def disregard(self, key: SeriesKey) -> None:
        """Mark a thing as gone: it causes nothing, and explains nothing."""
        self.down.pop(key, None)
        self._faulty.get(key.subject, set()).discard(key)

    def expect(self, labels: Iterable[str], now: datetime) -> None:
        """Set the probes from now on; what is remembered of the runs of those that stay is kept."""
        self.runs = {label: self.runs.get(label) or ProbeRuns(now) for label in labels}

    def adopt(self, probes: Sequence[ScheduledProbe], now: datetime) -> None:
        """Set the probes from now on. Series that none of them has delivered so far are orphaned until one does."""
        by_label = {each.label: each for each in probes}
        self.expect(by_label, now)
        for key, entry in self._entries.items():
            owner = by_label.get(entry.owner.label)
            if entry.orphaned:
                continue
            if owner is not None:
                _give(entry, owner)
            else:
                entry.orphaned, entry.next_evaluation = True, None
                self._faulty.get(key.subject, set()).discard(key)

    @property
    def orphans(self) -> list[SeriesKey]:
        """The series that no probe of the configuration has delivered."""
        return [key for key, entry in self._entries.items() if entry.orphaned]

    def seen_at(self, entry: SeriesEntry) -> datetime | None:
        """The time up to which samples count as missing. For the probe's own it is None, meaning now; for its other
        series it comes from the probe's own series.

        While a condition of the same subject is faulty (a mount that hangs), that is reported, and missing samples are
        not reported again for each of its other series.
        """
        owner, evaluator = entry.owner, entry.evaluator
        if evaluator.key == owner.own_key:
            return None
        faulty = self._faulty.get(evaluator.key.subject)
        if faulty and evaluator.last_at is not None and self._explained(evaluator.key, faulty):
            return evaluator.last_at
        return self.runs[owner.label].went_well_at

    def _explained(self, key: SeriesKey, faulty: Iterable[SeriesKey]) -> bool:
        """Return whether another condition of the same subject explains this, and its probe still delivers that one."""
        others = (self._entries[each] for each in faulty if each != key)
        return any(not each.evaluator.missed(self.runs[each.owner.label].went_well_at) for each in others)

    def troubled_probes(self) -> list[str]:
        """Each probe that does not run without error, with the reason."""
        own = (self._entries.get(SeriesKey(f"probe {label}", "runs")) for label in self.runs)
        seen = (entry.evaluator.latest for entry in own if entry is not None)
        return [f"{c.key.subject}: {c.reason}" for c in seen if isinstance(c, Condition) and not c.ok]

    def bridge(self, gap: timedelta, now: datetime, *, look_again: bool) -> None:
        """Exclude a gap in monitoring, or a clock change, from all elapsed times.

        look_again: the state after it is unknown; probes must run before anything is evaluated.
        """
        for entry in self._entries.values():
            entry.evaluator.bridge(gap, now, look_again=look_again)
        for key, since in self.down.items():
            self.down[key] = min(since + gap, now)
        for runs in self.runs.values():
            runs.bridge(gap, now)


def _give(entry: SeriesEntry, owner: ScheduledProbe) -> None:
    """Assign a series to a probe of another configuration, with its interval and rules."""
    entry.owner = owner
    entry.evaluator.interval_s, entry.evaluator.rules = owner.interval_s, owner.rules
