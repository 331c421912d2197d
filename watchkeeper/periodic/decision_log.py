"""Logs why each rule decides as it does, where that is asked for (`run --verbose`): news at once, the rest seldom.

The lines are made in alerting/explain.py. Made only where they are logged: who does not ask pays for nothing.
"""

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta

from watchkeeper.alerting import explain as explaining
from watchkeeper.alerting.explain import Gist
from watchkeeper.alerting.rules import Rules
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.alert import Alert, Concern
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Observation

log = logging.getLogger(__name__)

UNCHANGED = timedelta(hours=1)
"""How often a decision that stays is explained again: a reader of the last hour's log finds every one."""

REWORDED = timedelta(minutes=5)
"""How often one is that stays, though its reason is another: a forecast may find one reason after the other."""


@dataclass(frozen=True, slots=True)
class _Told:
    """What was explained last of one concern."""

    decision: Gist
    reason: Gist
    at: datetime


Explained = dict[Concern, _Told]
"""What was explained last of one series."""


class DecisionLog:
    """Explains what is due. What it has explained of a series is kept with the series, by the caller."""

    @staticmethod
    def wanted() -> "DecisionLog | None":
        """One, where somebody reads it."""
        return DecisionLog() if log.isEnabledFor(logging.DEBUG) else None

    @staticmethod
    def note(found: Finding, seen: Observation | None, limits: Rules, alert: Alert, explained: Explained) -> None:
        """Explain a finding, and what its alert made of it, if that is due. explained: of the series, so far."""
        now = _Told(explaining.decision(found, alert), explaining.reason(found), found.at)
        before = explained.get(found.concern)
        if before is not None and not _due(before, now):
            return
        explained[found.concern] = now
        fields = about(Event.REASON, key=found.key, concern=found.concern, priority=found.priority)
        log.debug("%s", explaining.explain(found, seen, limits, alert), extra=fields)


def _due(before: _Told, now: _Told) -> bool:
    if before.decision != now.decision or now.at < before.at:
        return True
    pause = UNCHANGED if before.reason == now.reason else REWORDED
    return now.at - before.at >= pause
