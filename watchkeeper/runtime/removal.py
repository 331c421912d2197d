"""Ends the alerts of what is no longer watched, so that nothing notified is left without an end.

Not here: when that is known (core/orphans.py), and dropping the series (pipeline.py).
"""

from collections.abc import Iterable, Iterator
from datetime import datetime

from watchkeeper.core import alert_steps
from watchkeeper.core.alert_book import AlertBook
from watchkeeper.core.alerts import Alert, Transition
from watchkeeper.core.orphans import UNWATCHED
from watchkeeper.core.rules import Finding
from watchkeeper.runtime.restore import unsettled


def end_alerts(book: AlertBook, alerts: Iterable[Alert], now: datetime) -> Iterator[tuple[Finding, Transition]]:
    """End each alert that is not over; yields each move, with the finding behind it."""
    for alert in filter(unsettled, alerts):
        ended, moves = alert_steps.dropped(alert, now)
        book.put(ended)
        found = Finding(alert.key, alert.concern, now, None, reason=UNWATCHED)
        yield from ((found, move) for move in moves)
