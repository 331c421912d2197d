"""When time alone may next change something about a series: a silence reaches its limit, a delay runs out. Pure.

The daemon judges everything anew at steady intervals. What is named here it need not wait for: what a delay holds back
is told when the delay is over, not up to an interval later. Not here: dates of deadlines and missing samples, which the
steady look is soon enough for, and what the change is (rules.py, state_machine.py).
"""

from collections.abc import Iterator
from datetime import datetime, timedelta

from watchkeeper.alerting import state_machine
from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.model.alert import Alert, Delays
from watchkeeper.model.observation import Answer


def next_evaluation(evaluator: SeriesEvaluator, now: datetime) -> datetime | None:
    """The next instant after `now` at which it is worth a look; None where none is known."""
    return min((at for at in _instants(evaluator) if at > now), default=None)


def _instants(evaluator: SeriesEvaluator) -> Iterator[datetime]:
    seen, since = evaluator.latest, evaluator.bad_since
    if isinstance(seen, Answer) and since is not None:
        rule = evaluator.rules.silent
        limits = (rule.caution_s, rule.warning_s, rule.alarm_s)
        yield from (since + timedelta(seconds=limit_s) for limit_s in limits if limit_s is not None)
    for alert in evaluator.alerts:
        if alert.pending_since is not None or alert.held_until is not None or alert.shelved_until is not None:
            yield from _of_alert(alert, evaluator.rules.delays(alert.concern))


def _of_alert(alert: Alert, delays: Delays) -> Iterator[datetime]:
    if (over := state_machine.pending_until(alert, delays)) is not None:
        yield over
    yield from (at for at in (alert.held_until, alert.shelved_until) if at is not None)
