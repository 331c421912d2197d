"""Planned maintenance of a subject: observed and recorded, not sent."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from watchkeeper.model.observation import SeriesKey

MAINTENANCE = SeriesKey("maintenance", "planned")
"""What suppresses an alert during maintenance, in place of another alert."""

LONGEST_MAINTENANCE = timedelta(days=7)
"""What is out for longer is not maintained but changed: then its monitoring has to change too."""


@dataclass(frozen=True, slots=True)
class Maintenance:
    """A planned time. subject: with all that depends on it. reason: the operator's words."""

    subject: str
    since: datetime
    until: datetime
    reason: str = ""
