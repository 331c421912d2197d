"""What the tests of the probes share."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from watchkeeper.clock import Clock
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers

SAMPLES = Path(__file__).with_name("samples")


@pytest.fixture
def workers() -> Iterator[ThreadWorkers]:
    """Real workers; their idle threads end with the test."""
    workers = ThreadWorkers()
    yield workers
    workers.close()


@pytest.fixture
def bench(workers: ThreadWorkers) -> ProbeContext:
    """A bench with the real clock and real workers."""
    return ProbeContext(Clock(), workers)


@pytest.fixture
def samples() -> Path:
    """Files as the kernel wrote them.

    Captured with `cat` as root on a virtual machine with Linux 6.1 (Debian 12), OpenZFS 2.1, btrfs and md: its
    /proc/self/mountinfo, /proc/meminfo, /proc/pressure/cpu and io, and the first 60 lines of
    /proc/spl/kstat/zfs/arcstats.
    """
    return SAMPLES
