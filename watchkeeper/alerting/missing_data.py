"""How long a series has been missed by a probe that runs well, and when it is taken to be gone for good.

A guest that was removed, a data set that was destroyed, a file system that was unmounted for ever: their probe runs and
never brings them again. That is told as stale; after GONE_AFTER it is no news any more, the alert ends by itself, and
the series is no longer judged until it is seen again. Pure. Not here: what is stale (rules.py).
"""

from datetime import datetime, timedelta

from watchkeeper.alerting.orphans import UNWATCHED
from watchkeeper.model.alert import Concern
from watchkeeper.model.finding import Finding

GONE_AFTER = timedelta(days=7)
"""A guest that is away for a weekend or for a repair comes back; what has been gone for a week was taken away. As long
as an ended alert waits to be acknowledged (LAPSE_AFTER)."""

HERE_AT_LEAST = timedelta(hours=1)
"""So much of it must have been seen in this life of the watch: before a restart only the alert's age is known."""

GONE = f"gone for good: no longer seen for {GONE_AFTER.days} days"
"""The reason of the findings with which a series is let go; stored, it says that it must not be restored."""


def is_gone(finding: Finding) -> bool:
    """Was the series let go with this finding, because it went or because nobody watches it any more?

    Its staleness says so: every sample that comes judges that anew.
    """
    return finding.concern is Concern.STALE and finding.reason in (GONE, UNWATCHED)


class Absence:
    """Counts how long one stale alert has stood while the probe ran well. Gaps in the probe's runs do not count."""

    __slots__ = ("_before", "_here", "_well_at")

    def __init__(self, before: timedelta = timedelta()) -> None:
        """before: how long the alert has stood before this life of the watch."""
        self._before, self._here = before, timedelta()
        self._well_at: datetime | None = None

    @property
    def for_good(self) -> bool:
        """Has it been missed for so long that it will not come back?"""
        return self._here >= HERE_AT_LEAST and self._before + self._here >= GONE_AFTER

    def bridge(self, gap: timedelta) -> None:
        """The watch was away, or the clock was set: that does not count."""
        self._before = max(self._before - max(gap, timedelta()), timedelta())
        self._well_at = None

    def count(self, well_at: datetime, longest: timedelta) -> None:
        """The alert stands, and the probe ran well at an instant. longest: what is longer between two runs was no
        watch.
        """
        step = timedelta() if self._well_at is None else well_at - self._well_at
        if timedelta() < step <= longest:
            self._here += step
        self._well_at = well_at
