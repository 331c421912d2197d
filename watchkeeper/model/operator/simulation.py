"""A simulated alert: raised by the operator to see what the rules and the routes do with it. Nothing has happened."""

from dataclasses import dataclass
from datetime import datetime

from watchkeeper.model.alert import Concern, Delays, Priority
from watchkeeper.model.observation import SeriesKey

SIMULATED = "simulated alert"
"""The quantity of every simulated alert: no probe observes it, so that it touches no record."""

LONGEST_SIMULATION_S = 3_600.0
"""A simulated alert ends by itself after this time at the latest, its on-delay not counted."""


OVER = "simulated alert is over"
"""The reason of its end."""


def is_simulated(key: SeriesKey) -> bool:
    """Whether an alert is only simulated."""
    return key.quantity == SIMULATED


@dataclass(frozen=True, slots=True)
class Simulation:
    """One simulated alert.

    concern, delays: those of the subject's first quantity. until: when it ends.
    """

    key: SeriesKey
    concern: Concern
    priority: Priority
    began_at: datetime
    until: datetime
    delays: Delays
