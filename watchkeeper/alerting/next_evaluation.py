"""When time alone may next change the state of a series: a missing answer reaches its limit, a delay ends. Pure.

The daemon evaluates everything again at fixed intervals. For the times named here it need not wait: a notification
held by a delay is sent when the delay ends, not up to an interval later. Not here: deadlines and missing samples, for
which the fixed interval is soon enough, and what the change is (rules.py, state_machine.py).
"""

from collections.abc import Iterator
from datetime import datetime, timedelta

from watchkeeper.alerting import state_machine
from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.model.alert import Alert, Delays
from watchkeeper.model.observation import Answer


def next_evaluation(evaluator: SeriesEvaluator, now: datetime) -> datetime | None:
    """The next time after `now` at which an evaluation is useful; None if none is known."""
    return min((at for at in _instants(evaluator) if at > now), default=None)


def _instants(evaluator: SeriesEvaluator) -> Iterator[datetime]:
    seen, since = evaluator.latest, evaluator.bad_since
    if isinstance(seen, Answer) and since is not None:
        rule = evaluator.rules.not_answering
        limits = (rule.caution_s, rule.warning_s, rule.alarm_s)
        yield from (since + timedelta(seconds=limit_s) for limit_s in limits if limit_s is not None)
    for alert in evaluator.alerts:
        if alert.pending_since is not None or alert.held_until is not None or alert.shelved_until is not None:
            yield from _of_alert(alert, evaluator.rules.delays(alert.concern))


def _of_alert(alert: Alert, delays: Delays) -> Iterator[datetime]:
    if (over := state_machine.pending_until(alert, delays)) is not None:
        yield over
    yield from (at for at in (alert.held_until, alert.shelved_until) if at is not None)
