"""What a rule found about one concern of one series at one moment."""

from dataclasses import dataclass
from datetime import datetime

from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import SeriesKey


@dataclass(frozen=True, slots=True)
class Finding:
    """What the facts say about one concern of one series at one moment.

    priority: what they ask for; None where all is well.
    ends_at: when time is up (full, overdue, expired); in the past where it has been; None where no end is in sight
        or the concern knows no end. earliest_at and latest_at are its 90 % interval where it is a forecast.
    since: since when it has been so (silent since, unsound since); None where it is not.
    reason: the one clause that says what was found, fit for a message.
    forecast: behind a `full` finding.
    """

    key: SeriesKey
    concern: Concern
    at: datetime
    priority: Priority | None
    ends_at: datetime | None = None
    earliest_at: datetime | None = None
    latest_at: datetime | None = None
    since: datetime | None = None
    reason: str = ""
    forecast: Forecast | None = None
