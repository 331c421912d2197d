"""Logs why each rule decides as it does, if requested (`run --verbose`): changes at once, the rest rarely.

The lines are created in alerting/explain.py, and only if they are logged: otherwise they cost nothing.
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
"""How often an unchanged decision is explained again: the last hour of the log contains every one."""

REWORDED = timedelta(minutes=5)
"""How often an unchanged decision is explained if its reason changed: a forecast may give one reason after another."""


@dataclass(frozen=True, slots=True)
class _Explained:
    """The last explanation of one concern."""

    decision: Gist
    reason: Gist
    at: datetime


Explained = dict[Concern, _Explained]
"""The last explanations of one series."""


class DecisionLog:
    """Explains what is due. The caller keeps the last explanations with each series."""

    @staticmethod
    def wanted() -> "DecisionLog | None":
        """Create one if its lines are logged; otherwise None."""
        return DecisionLog() if log.isEnabledFor(logging.DEBUG) else None

    @staticmethod
    def note(found: Finding, seen: Observation | None, limits: Rules, alert: Alert, explained: Explained) -> None:
        """Explain a finding and its effect on the alert, if that is due. explained: the series' explanations so far."""
        now = _Explained(explaining.decision(found, alert), explaining.reason(found), found.at)
        before = explained.get(found.concern)
        if before is not None and not _due(before, now):
            return
        explained[found.concern] = now
        fields = about(Event.REASON, key=found.key, concern=found.concern, priority=found.priority)
        log.debug("%s", explaining.explain(found, seen, limits, alert), extra=fields)


def _due(before: _Explained, now: _Explained) -> bool:
    if before.decision != now.decision or now.at < before.at:
        return True
    pause = UNCHANGED if before.reason == now.reason else REWORDED
    return now.at - before.at >= pause
