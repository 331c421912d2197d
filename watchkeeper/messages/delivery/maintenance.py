"""Planned maintenance in words. Pure."""

from datetime import datetime, tzinfo

from watchkeeper.messages.wording import clean, instant
from watchkeeper.model.operator.maintenance import Maintenance


def line(planned: Maintenance, zone: tzinfo, now: datetime) -> str:
    """`guest hide-hub, until Mon 30 Nov 14:05: new disk`."""
    reason = f": {clean(planned.reason)}" if planned.reason else ""
    return f"{clean(planned.subject)}, until {instant(planned.until, zone, now)}{reason}"
