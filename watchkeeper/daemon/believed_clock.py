"""The clock of the daemon: wall time, as far as the monotonic clock and the kernel agree with it.

If the wall clock jumps while the monotonic clock runs evenly, either it was corrected, or it is wrong now. Until the
kernel says that something synchronizes it (adjtimex(2); setting a clock by hand ends that state), the time from before
is continued, so that nothing becomes overdue, is recorded, rolled up or signed with the wrong time. Then the new time
is believed, or the clock is back and nothing has happened. A clock that nothing synchronizes is believed after an hour:
it is the only one there is.

Not here: a clock that is wrong at the start (startup_clock.py), and what follows from a jump that is believed
(alerting/clock_gaps.py).
"""

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from watchkeeper.alerting.clock_gaps import STEP_S
from watchkeeper.alerting.rules import Rules
from watchkeeper.clock import Clock
from watchkeeper.daemon.startup_clock import EVERY_S, STOOD_S
from watchkeeper.messages.wording import duration
from watchkeeper.model.observation import Condition, Observation, SeriesKey
from watchkeeper.probes.base import BaseProbe
from watchkeeper.runtime.scheduled_probe import ScheduledProbe

FAR_S = 300.0
"""Jumps up to this are believed at once: no default limit of a deadline is that short."""

KEY = SeriesKey("clock of this host", "against its own run")

LABEL = " clock jumps"
"""Among the probes; no configured probe can have this name, because names are stripped."""


class BelievedClock(Clock):
    """A clock that continues evenly while the wall clock cannot be believed."""

    def __init__(self, host: Clock) -> None:
        """host: the clocks of the host. Until watch() is called, its wall clock is believed whatever it shows."""
        self.host = host
        self._anchor: tuple[datetime, float] | None = None
        self._doubted_at_s: float | None = None
        self._last = host.now(), host.boottime_s()
        self.steps = 0
        """How often the wall clock of the host was set, believed or not."""

    def watch(self) -> None:
        """Compare the wall clock with the boot-time clock from now on; what it shows now is believed."""
        self._anchor, self._doubted_at_s = (self.host.now(), self.host.boottime_s()), None

    @property
    def jump_s(self) -> float:
        """By how much the wall clock differs from the time that is believed; 0 while it is believed itself."""
        self.now()
        return 0.0 if self._doubted_at_s is None else (self.host.now() - self.now()).total_seconds()

    @property
    def doubted_s(self) -> float:
        """For how long the wall clock has not been believed."""
        return 0.0 if self._doubted_at_s is None else self.host.boottime_s() - self._doubted_at_s

    def now(self) -> datetime:
        """The believed time."""
        wall, run_s = self.host.now(), self.host.boottime_s()
        before, self._last = self._last, (wall, run_s)
        if abs((wall - before[0]).total_seconds() - (run_s - before[1])) > STEP_S:
            self.steps += 1
        if self._anchor is None:
            return wall
        at, at_s = self._anchor
        expected = at + timedelta(seconds=run_s - at_s)
        if abs((wall - expected).total_seconds()) > FAR_S:
            self._doubted_at_s = run_s if self._doubted_at_s is None else self._doubted_at_s
            return expected
        self._anchor, self._doubted_at_s = (wall, run_s), None
        return wall

    def monotonic_s(self) -> float:
        """That of the host."""
        return self.host.monotonic_s()

    def boottime_s(self) -> float:
        """That of the host."""
        return self.host.boottime_s()


class ClockJumps(BaseProbe):
    """Reports that the wall clock has jumped, and decides when it is believed again."""

    def __init__(self, clock: BelievedClock, kept: Callable[[], bool]) -> None:
        """kept: does something synchronize the clock?"""
        self._clock, self._kept = clock, kept

    async def observe(self) -> Sequence[Observation]:
        """Compare once."""
        jump_s = self._clock.jump_s
        if jump_s and (self._clock.doubted_s >= STOOD_S or self._kept()):
            self._clock.watch()
            jump_s = 0.0
        return [Condition(KEY, ok=not jump_s, reason=self._reason(jump_s))]

    def _reason(self, jump_s: float) -> str:
        if not jump_s:
            return ""
        way = "forward" if jump_s > 0 else "back"
        shown = f"{self._clock.host.now():%Y-%m-%d %H:%M} UTC"
        return (
            f"it was set {way} by {duration(abs(jump_s))} and now shows {shown}, and "
            "nothing synchronizes it. The time from before is continued until it is synchronized, set back, or an hour "
            "has passed: check it, and start a time service"
        )

    def watched(self) -> ScheduledProbe:
        """The probe for the schedule."""
        return ScheduledProbe(LABEL, EVERY_S, self, Rules())
