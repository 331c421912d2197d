"""What a rule found about one concern of one series at one moment."""

from dataclasses import dataclass, replace
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
    forecast: the forecast behind a `full` finding. used_limit: the share of the capacity that the operator set as a
        limit, if that called for the priority, or if it no longer does; None: the forecast decided.
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
    used_limit: float | None = None

    @property
    def early(self) -> bool:
        """Whether it is a forecast whose date is too early to be shown: no rule believes it either."""
        return self.priority is None and self.forecast is not None and self.forecast.early

    def as_of(self, at: datetime) -> "Finding":
        """The same finding, made at another time: what is due so long after the newest sample has moved with it."""
        due = self.ends_at
        if due is not None and self._is_due_after_sample:
            due += at - self.at
        return replace(self, at=at, ends_at=due)

    def repeats(self, earlier: "Finding") -> bool:
        """Return whether it equals `earlier.as_of(self.at)`, in a fifth of the time."""
        return (
            self.priority is earlier.priority
            and self.reason == earlier.reason
            and self.concern is earlier.concern
            and self.key == earlier.key
            and self.forecast == earlier.forecast
            and self.used_limit == earlier.used_limit
            and (self.since, self.began_at, self.over_at) == (earlier.since, earlier.began_at, earlier.over_at)
            and (self.earliest_at, self.latest_at) == (earlier.earliest_at, earlier.latest_at)
            and (self.ends_at == earlier.ends_at if not self._is_due_after_sample else self._moved_with(earlier))
        )

    @property
    def _is_due_after_sample(self) -> bool:
        return self.concern is Concern.NOT_REPORTING and self.priority is None

    def _moved_with(self, earlier: "Finding") -> bool:
        if self.ends_at is None or earlier.ends_at is None:
            return self.ends_at is earlier.ends_at
        return self.ends_at - self.at == earlier.ends_at - earlier.at
