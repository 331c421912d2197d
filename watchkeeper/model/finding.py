"""What a rule found about one concern of one series at one moment."""

from dataclasses import dataclass
from datetime import datetime

from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import SeriesKey


@dataclass(frozen=True, slots=True)
class Finding:
    """The evaluation of one concern of one series at one moment.

    priority: the priority that it calls for; None if all is well.
    ends_at: when time is up (full, overdue, expired); in the past if that has happened; None if no end is expected or
        the concern has no end. earliest_at and latest_at are its 90 % interval if it is a forecast.
    since: since when it has been so (not answering since, faulty since); None if it is not.
    began_at, over_at: when it was last so, once it is over: from when until when, as far as samples show.
    reason: one clause that states what was found, suitable for a message.
    forecast: the forecast behind a `full` finding.
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
    began_at: datetime | None = None
    over_at: datetime | None = None
