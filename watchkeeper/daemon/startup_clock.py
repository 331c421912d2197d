"""Before monitoring starts: can the host's clock be trusted when the newest sample is ahead of it?

A host without a battery-backed clock starts in the past after a power cut, until a time service sets the clock. So a
start waits briefly for that. Then monitoring starts anyway, because an unmonitored host is worse than a sample without
its place in time: an alarm reports it, and no sample is recorded until the clock is past the newest one, is set, or has
run for an hour (then nobody will set it, and it is the only clock there is). Everything else continues: probes, alerts,
messages.

Where the kernel says that its clock is synchronized, the newest sample is what is wrong, and the start does not wait.
"""

import asyncio
from collections.abc import Callable, Sequence
from datetime import datetime

from watchkeeper.alerting.rules import Rules
from watchkeeper.clock import Clock
from watchkeeper.errors import ProbeError
from watchkeeper.messages.wording import duration
from watchkeeper.model.observation import Condition, Observation, SeriesKey
from watchkeeper.probes.base import BaseProbe
from watchkeeper.probes.host.clock import read_clock
from watchkeeper.runtime.scheduled_probe import ScheduledProbe

BEHIND_S = 60.0
"""How far the clock may be behind the newest sample: the drift of a hardware clock in a host that was off for weeks."""

WAIT_S = 60.0
"""How long a start waits for the clock to be set: a time service does so seconds after the network is up."""

LOOK_S = 1.0
"""How often the clock is read while waiting."""

STOOD_S = 3_600.0
"""A clock that has run this long without being set is not going to be set."""

KEY = SeriesKey("clock of this host", "against the records")

LABEL = " clock"
"""Among the probes; no configured probe can have this name, because names are stripped."""

EVERY_S = 15.0


def keeps_time() -> bool:
    """Does the kernel say that something synchronizes its clock?"""
    try:
        return read_clock().largest_error_s is not None
    except ProbeError:
        return False


class ClockDoubt(BaseProbe):
    """Compares the clock with the newest sample; a probe once monitoring has started with the clock in doubt."""

    def __init__(self, clock: Clock, newest: datetime, kept: Callable[[], bool], believed: Callable[[], None]) -> None:
        """kept: does something synchronize the clock? believed: called when the clock can be trusted."""
        self._clock, self._newest, self._kept, self._believed = clock, newest, kept, believed
        self._began = clock.now(), clock.monotonic_s()

    @property
    def behind_s(self) -> float:
        """How far the clock is behind the newest sample."""
        return (self._newest - self._clock.now()).total_seconds()

    @property
    def why(self) -> str:
        """What is wrong, and what to do; empty where nothing is."""
        if self.behind_s <= BEHIND_S or self._kept():
            return ""
        behind = duration(self.behind_s)
        return (
            f"it shows {self._clock.now():%Y-%m-%d %H:%M} UTC, {behind} before the newest sample: set the clock. Times"
            " in messages are wrong until then, and no sample is recorded until the clock is set or has run for an"
            " hour. If it is right, it was ahead earlier, and this ends when it passes the time of that sample"
        )

    async def observe(self) -> Sequence[Observation]:
        """Compare once, and call `believed` where the clock can be trusted."""
        why = self.why
        at, monotonic_s = self._began
        ran_s = self._clock.monotonic_s() - monotonic_s
        was_set = abs((self._clock.now() - at).total_seconds() - ran_s) > BEHIND_S
        if not why or was_set or ran_s >= STOOD_S:
            self._believed()
        return [Condition(KEY, ok=not why, reason=why, grave=True)]

    async def settles(self, stop: asyncio.Event, say: Callable[[str], None], wait_s: float, look_s: float) -> bool:
        """Wait for the clock to be set; False while it is still in doubt. say: sends the status to systemd."""
        end_s = self._clock.monotonic_s() + wait_s
        while (why := self.why) and self._clock.monotonic_s() < end_s and not stop.is_set():
            say(f"waiting up to {wait_s:.0f} s for the clock to be set: {why}")
            await asyncio.sleep(look_s)
        return not why

    def watched(self) -> ScheduledProbe:
        """The probe that reports the clock."""
        return ScheduledProbe(LABEL, EVERY_S, self, Rules())
