"""The only reader of wall and monotonic time. Everything else is given `now`, or one of these clocks."""

import time
from datetime import UTC, datetime


class Clock:
    """Reads the host's clocks. Tests put another one with the same two methods in its place."""

    def now(self) -> datetime:
        """The wall clock: an aware instant in UTC. It may step back or ahead."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """Seconds since some fixed moment; never goes back. For measuring how long something took."""
        return time.monotonic()

    def boottime_s(self) -> float:
        """Seconds since the host was started, with the time that it was suspended; `monotonic_s` stands still then."""
        return time.clock_gettime(time.CLOCK_BOOTTIME)
