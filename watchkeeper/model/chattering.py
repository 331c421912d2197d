"""Chattering: when a repeatedly raised alert counts as chattering, and when it is calm again. Pure, timestamps only.

The remedy is the one that ISA-18.2 names: a longer off-delay. While an alert chatters, an end (or a lower priority)
must last for `calm_s` before it counts, so forty raises make one episode, with one notification of its start and one of
its end. Not here: the state table, which uses this (alert.py).
"""

from dataclasses import dataclass
from datetime import datetime

from watchkeeper.model.units import HOUR_S

Instants = tuple[datetime, ...]


@dataclass(frozen=True, slots=True)
class Chattering:
    """raises: this many within within_s is chattering; None: never. calm_s: how long it must be calm to be over.

    ISA-18.2 sets the limit for an operator at a desk: three or more a minute. Here nobody sits at a desk, probes run
    about once a minute, and the limit is to keep messages from filling the operator's day. Three within six hours, and
    three hours of calm, bound the messages of one alert: raises less than three hours apart are one episode, and less
    frequent ones send at most eight messages a day and the same number of ends.
    """

    raises: int | None = 3
    within_s: float = 6 * HOUR_S
    calm_s: float = 3 * HOUR_S

    def recent(self, recent_ends: Instants, now: datetime) -> Instants:
        """The ends that still count. An end in the future means that the clock was set back; it does not count."""
        return tuple(at for at in recent_ends if 0 <= (now - at).total_seconds() <= self.within_s)

    def raise_count(self, recent_ends: Instants, now: datetime) -> int:
        """For a rise at `now` after these ends: 0 if that is ordinary, otherwise how often it has been raised."""
        times = len(self.recent(recent_ends, now)) + 1
        return times if self.raises is not None and times >= self.raises else 0

    def remembered(self, recent_ends: Instants, now: datetime) -> Instants:
        """The ends to remember after one at `now`: no more than are needed to detect chattering."""
        return (*self.recent(recent_ends, now), now)[-max((self.raises or 1) - 1, 1) :]

    def calm(self, last: datetime, now: datetime) -> bool:
        """Return whether it has been calm for long enough since `last`."""
        return (now - last).total_seconds() >= self.calm_s
