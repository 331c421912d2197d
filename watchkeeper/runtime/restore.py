"""Restores series after a restart: which ones, and what was known about them.

Not here: reading it from the store (runner.py), and what happens to an alert or a series afterwards (pipeline.py).
"""

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime

from watchkeeper.alerting.clock_gaps import Gap
from watchkeeper.alerting.missing_data import is_gone
from watchkeeper.alerting.orphans import UNWATCHED_REASONS
from watchkeeper.model.alert import Alert, Concern, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Seen
from watchkeeper.runtime.scheduled_probe import ScheduledProbe, nobody
from watchkeeper.runtime.series_registry import SeriesEntry, SeriesRegistry
from watchkeeper.runtime.unit_of_work import REPORTED_GAP_S

Latest = Iterable[tuple[Seen, datetime]]
"""Each series' newest observation, and the time of its first."""


def restore_series(
    registry: SeriesRegistry,
    probes: Mapping[str, ScheduledProbe],
    latest: Latest,
    findings: Iterable[Finding],
    unsettled: Collection[SeriesKey],
    now: datetime,
) -> list[tuple[SeriesEntry, Seen]]:
    """Fill the registry; return what was filled in. probes: by label. unsettled: series with an alert that is not over.

    A series whose probe was removed from the configuration is orphaned.
    """
    findings = list(findings)
    found = {(f.key, f.concern): f for f in findings}
    gone = {f.key: f.reason for f in findings if is_gone(f)}
    restored = []
    for seen, first_at in latest:
        key, owner = seen.observation.key, probes.get(seen.probe)
        for_good = key in gone and (owner is None or gone[key] not in UNWATCHED_REASONS)
        if for_good and key not in unsettled:
            continue
        entry = registry.entry(owner or nobody(seen), seen.observation)
        _resume(entry, seen, first_at, found, now)
        entry.evaluator.gone = for_good and owner is not None
        entry.orphaned = owner is None
        restored.append((entry, seen))
    return restored


def _resume(
    entry: SeriesEntry,
    seen: Seen,
    first_at: datetime,
    findings: Mapping[tuple[SeriesKey, Concern], Finding],
    now: datetime,
) -> None:
    evaluator = entry.evaluator
    found = findings.get((evaluator.key, evaluator.concerns[0]))
    evaluator.resume(seen.observation, first_at, found, now)


def unsettled_series(alerts: Iterable[Alert]) -> set[SeriesKey]:
    """The series with an alert that is not over: something must still be reported or acknowledged."""
    return {alert.key for alert in alerts if unsettled(alert)}


def unsettled(alert: Alert) -> bool:
    """Return whether something about an alert must still be reported or acknowledged."""
    return alert.state is not State.NORMAL or alert.pending_notification is not None


def gap_before(last_commit_at: datetime | None, now: datetime) -> Gap | None:
    """The gap before this start; None if there was none, or it was a restart."""
    away_s = (now - last_commit_at).total_seconds() if last_commit_at is not None else 0.0
    return None if last_commit_at is None or away_s < REPORTED_GAP_S else Gap(last_commit_at, now, away_s)
