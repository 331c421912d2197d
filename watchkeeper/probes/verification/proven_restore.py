"""The last restore of a backup that was tried: whether it succeeded, and when the next one is due.

A trial is recorded as the report of a job of its own (`watchkeeper restored`). Not here: whether the newest file is
whole (checked.py).
"""

from collections.abc import Sequence
from datetime import datetime, timedelta

from pydantic import Field

from watchkeeper.config.types import Duration
from watchkeeper.model.observation import Condition, Deadline, Facts, Observation, SeriesKey
from watchkeeper.model.probe_state import JobReport, JobReports, restore_of
from watchkeeper.probes.support.sanitize import clip

RestoreWithin = Duration | None

RESTORE_WITHIN = Field(
    None,
    description="time within which a restore of this backup must be tried again, such as 180d, and reported with "
    "`watchkeeper restored`; by default there is no limit",
)
"""The key of both kinds of probe that monitor backups."""


async def observe_restores(
    reports: JobReports, name: str, subject: str, within_s: float | None
) -> tuple[Facts, Sequence[Observation]]:
    """What the operator should know of restores, and the observations: none before the first one, and without a limit.

    within_s: the limit. Raises StoreError.
    """
    last = await reports.last(restore_of(name))
    good, failed = last.good, last.failed
    facts: Facts = (("last proven restore", _words(good)),) if good else ()
    seen: list[Observation] = []
    if within_s is not None:
        due_at = good.at + timedelta(seconds=within_s) if good else None
        seen.append(Deadline(SeriesKey(subject, "proven restore"), due_at, good.at if good else None, within_s, facts))
    if failed is not None and (good is None or good.at < failed.at):
        reason = f"the restore of {_words(failed)} failed"
        seen.append(Condition(SeriesKey(subject, "restore"), ok=False, reason=reason))
    elif good is not None:
        seen.append(Condition(SeriesKey(subject, "restore"), ok=True, facts=facts))
    return facts, seen


def _words(report: JobReport) -> str:
    """`2026-11-30 (into a spare disk, the guest booted)`."""
    return f"{_day(report.at)} ({clip(report.message)})" if report.message else _day(report.at)


def _day(at: datetime) -> str:
    return f"{at:%Y-%m-%d}"
