"""The only reader of wall and monotonic time. Everything else receives `now` or one of these clocks."""

import time
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@cache
def _boot_id() -> str:
    try:
        # As bytes: a thread with the rights of another user may be unable to import the codec of another encoding.
        return BOOT_ID.read_bytes().decode().strip()
    except (OSError, ValueError):
        return ""


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

    def boot(self) -> tuple[str, float]:
        """The kernel's random id of this boot (random(4)), empty if it cannot be read, and `boottime_s`."""
        return _boot_id(), self.boottime_s()
