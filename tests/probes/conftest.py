"""What the tests of the probes share."""

from pathlib import Path

import pytest

SAMPLES = Path(__file__).with_name("samples")


@pytest.fixture
def samples() -> Path:
    """Files as the kernel wrote them.

    Captured with `cat` as root on a virtual machine with Linux 6.1 (Debian 12), OpenZFS 2.1, btrfs and md: its
    /proc/self/mountinfo, /proc/meminfo, /proc/pressure/cpu and io, and the first 60 lines of
    /proc/spl/kstat/zfs/arcstats.
    """
    return SAMPLES
