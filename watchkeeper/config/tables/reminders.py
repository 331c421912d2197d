"""Hours of the week and reminders in the configuration: field types, and the `[reminders]` table.

Not here: what they mean in a time zone (messages/delivery/quiet_hours.py), and when a reminder is due
(messages/reminders.py).
"""

from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from watchkeeper.config.fields import LONGEST_S, NEVER, Allowed, Duration, Limit, Strict
from watchkeeper.messages.delivery.quiet_hours import Due, Span, parse_due, parse_span
from watchkeeper.messages.reminders import Reminders
from watchkeeper.model.alert import Priority


def _span(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    return value if isinstance(value, Span) else parse_span(value if isinstance(value, str) else "")


def _due(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    if value is None or isinstance(value, Due):
        return value
    text = value if isinstance(value, str) else ""
    return None if text.strip().lower() == NEVER else parse_due(text)


QuietSpan = Annotated[
    Span,
    BeforeValidator(_span),
    Allowed('a span of hours such as "22:00-07:00" or "Fri-Sun 23:00-09:00"', lambda span: f'"{span}"'),
]
"""A part of the day in the host's time zone, on every day or on some."""

DueTime = Annotated[
    Due | None,
    BeforeValidator(_due),
    Allowed(f'a time such as "07:30" or "Mon 07:30", or "{NEVER}"', lambda due: f'"{due or NEVER}"'),
]
"""A time of day in the host's time zone; None, written as `never`."""


class RemindersSettings(Strict):
    """When an alert that nobody has acknowledged is sent again. Each interval is twice as long as the one before.

    caution, warning, alarm: time from the last message about an alert of this priority to the first reminder.
    longest: maximum interval between reminders.
    """

    caution: Limit = None
    warning: Limit = 86_400.0
    alarm: Limit = 3_600.0
    longest: Annotated[Duration, Field(ge=60, le=LONGEST_S)] = 7 * 86_400.0

    def plan(self) -> Reminders:
        """The same values as messages/ needs them."""
        first = {Priority.CAUTION: self.caution, Priority.WARNING: self.warning, Priority.ALARM: self.alarm}
        return Reminders({key: wait_s for key, wait_s in first.items() if wait_s}, self.longest)
