"""An alert that comes and goes: when that is chattering, and when it has become calm. Pure, and only about instants.

The remedy is the one that ISA-18.2 names: a longer off-delay. While an alert chatters it must stay away (or stay lower)
for `calm_s` before that counts, so what comes and goes forty times is one episode, told once and ended once.
Not here: the state table, which uses this (alert.py).
"""

from dataclasses import dataclass
from datetime import datetime

from watchkeeper.model.units import HOUR_S

Instants = tuple[datetime, ...]


@dataclass(frozen=True, slots=True)
class Chattering:
    """raises: so many times within within_s is chattering; None: never. calm_s: how long it must be calm to be over.

    ISA-18.2 draws the line for an operator who sits at a desk: three or more a minute. Nobody sits here, probes look
    about once a minute, and the keeper's day is what must not be filled. Three within six hours, and three hours of
    calm, bound what one alert can say: what comes oftener than every three hours is one episode, and what comes
    seldomer is at most eight messages a day and the same number of ends.
    """

    raises: int | None = 3
    within_s: float = 6 * HOUR_S
    calm_s: float = 3 * HOUR_S

    def recent(self, falls: Instants, now: datetime) -> Instants:
        """The falls that still count. One from the future says that the clock was set back: it no longer does."""
        return tuple(at for at in falls if 0 <= (now - at).total_seconds() <= self.within_s)

    def comings(self, falls: Instants, now: datetime) -> int:
        """A rise at `now`, after these falls: 0 where that is ordinary, else how many times it has come."""
        times = len(self.recent(falls, now)) + 1
        return times if self.raises is not None and times >= self.raises else 0

    def fallen(self, falls: Instants, now: datetime) -> Instants:
        """The falls to remember after one at `now`: no more than are needed to know chattering."""
        return (*self.recent(falls, now), now)[-max((self.raises or 1) - 1, 1) :]

    def calm(self, last: datetime, now: datetime) -> bool:
        """Has it been calm for long enough since `last`?"""
        return (now - last).total_seconds() >= self.calm_s
