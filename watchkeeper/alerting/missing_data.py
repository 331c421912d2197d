"""How long a series has been missing from a probe that runs without error, and when it counts as permanently gone.

A guest that was removed, a data set that was destroyed, a file system that was permanently unmounted: their probe runs
and never delivers them again. An alert reports that; after GONE_AFTER it ends automatically, and the series is not
evaluated until it is seen again. Pure. Not here: when a series counts as not reporting (rules.py).
"""

from datetime import datetime, timedelta

from watchkeeper.alerting.orphans import UNWATCHED_REASONS
from watchkeeper.model.alert import Concern
from watchkeeper.model.finding import Finding

GONE_AFTER = timedelta(days=7)
"""A guest that is away for a weekend or for a repair comes back; what has been gone for a week was removed. As long as
an ended alert waits to be acknowledged (LAPSE_AFTER)."""

HERE_AT_LEAST = timedelta(hours=1)
"""Minimum absence observed since the daemon started: for the time before a restart only the alert's age is known."""

GONE = f"no longer monitored: not seen for {GONE_AFTER.days} days"
"""The reason of the findings with which a series is removed; in the store it marks a series not to be restored."""


_GONE_REASONS = frozenset({GONE, "gone for good: no longer seen for 7 days"})  # the second one: stored by 0.1.0


def is_gone(finding: Finding) -> bool:
    """Return whether the series was removed with this finding, because it is gone or no longer monitored.

    The `not_reporting` finding shows it: every new sample makes a new one.
    """
    return finding.concern is Concern.NOT_REPORTING and finding.reason in _GONE_REASONS | UNWATCHED_REASONS


class Absence:
    """Counts how long a series was missing while its probe ran without error. Gaps between runs do not count."""

    __slots__ = ("_before", "_here", "_well_at")

    def __init__(self, before: timedelta = timedelta()) -> None:
        """before: how long the alert was active before this start of the daemon."""
        self._before, self._here = before, timedelta()
        self._well_at: datetime | None = None

    @property
    def for_good(self) -> bool:
        """Return whether it has been missing for so long that it will not come back."""
        return self._here >= HERE_AT_LEAST and self._before + self._here >= GONE_AFTER

    def bridge(self, gap: timedelta) -> None:
        """Exclude a gap in monitoring, or a clock change, from the count."""
        self._before = max(self._before - max(gap, timedelta()), timedelta())
        self._well_at = None

    def count(self, well_at: datetime, longest: timedelta) -> None:
        """Count: the alert is active, and the probe ran without error at `well_at`.

        longest: a longer time between two runs is a gap in monitoring.
        """
        step = timedelta() if self._well_at is None else well_at - self._well_at
        if timedelta() < step <= longest:
            self._here += step
        self._well_at = well_at
