"""What the tests of the probes share."""

from dataclasses import replace
from pathlib import Path

import pytest

from tests.probes.hands import SetClock
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext

SAMPLES = Path(__file__).with_name("samples")


@pytest.fixture
def samples() -> Path:
    """Files as the kernel wrote them.

    Captured with `cat` as root on a virtual machine with Linux 6.1 (Debian 12), OpenZFS 2.1, btrfs and md: its
    /proc/self/mountinfo, /proc/meminfo, /proc/pressure/cpu and io, and the first 60 lines of
    /proc/spl/kstat/zfs/arcstats.
    """
    return SAMPLES


@pytest.fixture
def clock() -> SetClock:
    """A clock that stands still until it is moved by hand."""
    return SetClock()


@pytest.fixture
def still(bench: ProbeContext, clock: SetClock) -> ProbeContext:
    """A bench with that clock, and a state of its own."""
    return replace(bench, clock=clock, probe_states=MemoryStateStore())
