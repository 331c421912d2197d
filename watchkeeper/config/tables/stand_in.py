"""The `[[stand_in]]` tables: who gets messages as well while the operator is away.

Not here: what the receiver is told (messages/delivery/stand_in.py).
"""

from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator

from watchkeeper.config.fields import Allowed, PriorityWord, Strict
from watchkeeper.config.tables.sheet import Line
from watchkeeper.messages.delivery.stand_in import StandIn
from watchkeeper.model.alert import Priority

LONGEST = timedelta(days=92)
"""Three months: a longer absence needs a notifier of its own."""


def _moment(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    if isinstance(value, date):  # a datetime is a date as well
        return value
    try:
        found = datetime.fromisoformat(value.strip()) if isinstance(value, str) else None
    except ValueError:
        found = None
    if found is None:
        raise ValueError("not a time; write a day such as 2026-12-20, or a day and a time such as 2026-12-20 18:00")
    return found.date() if len(value.strip()) == len("2026-12-20") else found


def _written(value: date) -> str:
    return value.isoformat(" ", "minutes") if isinstance(value, datetime) else value.isoformat()


Moment = Annotated[
    datetime | date,
    BeforeValidator(_moment),
    Allowed('a day such as "2026-12-20", or a day and a time such as "2026-12-20 18:00"', lambda m: f'"{_written(m)}"'),
]
"""A day or a time, in the host's time zone if it names none."""


class StandInSettings(Strict):
    """Somebody who gets messages as well while you are away.

    from: the first day, or the time, from which on they get messages. In the time zone under `[host]`.
    until: the last day, or the time, until which they do; at most 92 days after `from`.
    notifier: the name of their notifier.
    at_least: the lowest priority that is sent to them.
    note: what they need to know; it is in every message to them. Write no passwords here.
    """

    begin: Moment = Field(alias="from")
    until: Moment
    notifier: str
    at_least: PriorityWord = Priority.WARNING
    note: Line | None = None

    @model_validator(mode="after")
    def _has_length(self) -> "StandInSettings":
        length = self._end(UTC) - self._begin(UTC)
        if length <= timedelta():
            raise ValueError(f"until {_written(self.until)} is not after from {_written(self.begin)}")
        if length > LONGEST:
            raise ValueError(
                f"from {_written(self.begin)} until {_written(self.until)} is longer than {LONGEST.days} days"
            )
        return self

    def stand_in(self, zone: tzinfo, sheet: str) -> StandIn:
        """The same with times as instants. zone: the operator's. sheet: the address of the sheet of the house."""
        begin, end = self._begin(zone), self._end(zone)
        return StandIn(self.notifier, begin, end, self.at_least, self.note or "", sheet)

    def _begin(self, zone: tzinfo) -> datetime:
        return _instant(self.begin, zone)

    def _end(self, zone: tzinfo) -> datetime:
        if isinstance(self.until, datetime):
            return _instant(self.until, zone)
        return _instant(self.until + timedelta(days=1), zone)


def _instant(value: date, zone: tzinfo) -> datetime:
    """A time as it is, a day as its first moment."""
    local = value if isinstance(value, datetime) else datetime.combine(value, time())
    return (local if local.tzinfo else local.replace(tzinfo=zone)).astimezone(UTC)
