"""The real clocks, against the kernel's own words."""

from datetime import UTC
from pathlib import Path

from watchkeeper.clock import Clock


def test_the_wall_clock_is_aware_and_in_utc() -> None:
    """Every instant in the code has its zone."""
    assert Clock().now().tzinfo is UTC


def test_the_boot_time_clock_counts_as_the_kernel_does_and_the_monotonic_one_is_never_ahead_of_it() -> None:
    """/proc/uptime is CLOCK_BOOTTIME to a hundredth of a second (proc(5)); sleep is in the one and not in the other."""
    clock = Clock()
    before_s = clock.boottime_s()
    uptime_s = float(Path("/proc/uptime").read_text(encoding="ascii").split()[0])
    assert before_s - 0.02 <= uptime_s <= clock.boottime_s() + 0.02
    assert clock.monotonic_s() <= clock.boottime_s()
