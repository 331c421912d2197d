"""Ends the alerts of what is no longer monitored, so that every reported alert also gets an end.

Not here: when that is known (alerting/orphans.py), and dropping the series (pipeline.py).
"""

from collections.abc import Iterable, Iterator
from datetime import datetime

from watchkeeper.alerting import state_machine
from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.orphans import UNWATCHED
from watchkeeper.model.alert import Alert, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.operator.simulation import OVER, is_simulated
from watchkeeper.runtime.restore import unsettled


def end_alerts(book: AlertBook, alerts: Iterable[Alert], now: datetime) -> Iterator[tuple[Finding, Transition]]:
    """End each alert that is not over; yield each move, with its finding."""
    for alert in filter(unsettled, alerts):
        ended, moves = state_machine.dropped(alert, now)
        book.put(ended)
        reason = OVER if is_simulated(alert.key) else UNWATCHED  # a restart ends it
        found = Finding(alert.key, alert.concern, now, None, reason=reason)
        yield from ((found, move) for move in moves)
