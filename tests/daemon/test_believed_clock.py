"""Wall time is believed as far as the monotonic clock and the kernel agree with it."""

from datetime import UTC, datetime, timedelta

import pytest

from tests.support.clocks import HandClock
from watchkeeper.daemon.believed_clock import FAR_S, BelievedClock, ClockJumps
from watchkeeper.daemon.startup_clock import STOOD_S
from watchkeeper.model.observation import Condition

START = datetime(2026, 11, 30, 18, 0, tzinfo=UTC)


class HostClock(HandClock):
    """A host that can also be suspended."""

    def __init__(self) -> None:
        super().__init__(START, 100.0)
        self.slept_s = 0.0

    def boottime_s(self) -> float:
        return self.steady_s + self.slept_s

    def sleep(self, seconds: float) -> None:
        """Let time pass while the host is suspended."""
        self.wall += timedelta(seconds=seconds)
        self.slept_s += seconds


def watched() -> tuple[HostClock, BelievedClock]:
    """A host's clocks, and the believed one, which compares."""
    host = HostClock()
    clock = BelievedClock(host)
    clock.watch()
    return host, clock


async def seen(clock: BelievedClock, *, kept: bool = False) -> Condition:
    """What the probe reports."""
    (found,) = await ClockJumps(clock, lambda: kept).observe()
    assert isinstance(found, Condition)
    return found


@pytest.mark.parametrize("jump", [timedelta(days=60), timedelta(days=-20_000), timedelta(days=4_000)])
async def test_a_jump_is_not_believed(jump: timedelta) -> None:
    """Time runs on evenly; once the clock is back, nothing has happened."""
    host, clock = watched()
    host.advance(10)
    host.wall += jump
    assert clock.now() == START + timedelta(seconds=10)
    host.advance(30)
    assert clock.now() == START + timedelta(seconds=40)
    assert not (await seen(clock)).ok
    host.wall -= jump
    assert clock.now() == START + timedelta(seconds=40)
    assert (await seen(clock)).ok


async def test_what_is_reported_names_both_times() -> None:
    """How far, which way, and what it shows."""
    host, clock = watched()
    host.wall += timedelta(days=60)
    assert "it was set forward by 60 days and now shows 2027-01-29 18:00 UTC" in (await seen(clock)).reason
    host.wall -= timedelta(days=120)
    assert "it was set back by 60 days" in (await seen(clock)).reason


async def test_a_jump_is_believed_once_the_kernel_says_so() -> None:
    """A time service has corrected the clock."""
    host, clock = watched()
    host.wall += timedelta(hours=2)
    assert clock.now() == START
    assert (await seen(clock, kept=True)).ok
    assert clock.now() == START + timedelta(hours=2)


async def test_a_clock_that_nothing_synchronizes_is_believed_after_an_hour() -> None:
    """By the clock that also counts a suspend; a second jump in between changes nothing."""
    host, clock = watched()
    host.wall += timedelta(hours=2)
    assert not (await seen(clock)).ok
    host.advance(STOOD_S - 2)
    host.wall += timedelta(hours=2)
    assert not (await seen(clock)).ok
    host.advance(2)
    assert (await seen(clock)).ok
    assert clock.now() == host.wall


def test_every_step_of_the_host_is_counted() -> None:
    """The schedule goes by the wall clock of the host, whether or not that is believed."""
    host, clock = watched()
    host.advance(60)
    clock.now()
    assert clock.steps == 0
    host.wall -= timedelta(days=60)
    clock.now()
    clock.now()
    assert clock.steps == 1
    host.wall += timedelta(days=60)
    clock.now()
    assert clock.steps == 2


def test_small_steps_slewing_and_a_suspend_are_believed() -> None:
    """A time service that steps by seconds, a clock that drifts, and a host that slept for a week."""
    host, clock = watched()
    host.wall += timedelta(seconds=FAR_S)
    assert clock.now() == host.wall
    for _ in range(1_000):
        host.advance(60)
        host.wall += timedelta(seconds=1)
        assert clock.now() == host.wall
    host.sleep(7 * 86_400)
    assert clock.now() == host.wall


def test_before_it_compares_every_time_is_believed() -> None:
    """While a start waits for the clock to be set."""
    host = HostClock()
    clock = BelievedClock(host)
    host.wall += timedelta(days=20_000)
    assert (clock.now(), clock.jump_s, clock.doubted_s) == (host.wall, 0.0, 0.0)
    assert (clock.monotonic_s(), clock.boottime_s()) == (100.0, 100.0)


def test_the_probe_has_a_place_in_the_schedule() -> None:
    """As one of the daemon's own."""
    _, clock = watched()
    probe = ClockJumps(clock, lambda: False)
    assert probe.watched().probe is probe
