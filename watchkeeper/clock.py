"""The only reader of wall and monotonic time. Everything else receives `now` or one of these clocks."""

import time
from datetime import UTC, datetime


class Clock:
    """Read the host's clocks. Tests replace it with a clock that has the same methods."""

    def now(self) -> datetime:
        """The wall clock: an aware instant in UTC. It may jump backward or forward."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """Seconds since some fixed moment; never goes back. For measuring how long something took."""
        return time.monotonic()

    def boottime_s(self) -> float:
        """Seconds since the host booted, suspended time included; `monotonic_s` does not advance during a suspend."""
        return time.clock_gettime(time.CLOCK_BOOTTIME)
