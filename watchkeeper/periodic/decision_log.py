"""Which decisions of the rules are logged (`run --verbose`) and which are kept for `explain`: changes, the rest rarely.

The steps are created in alerting/explain.py, and only if they are logged or kept: otherwise they cost nothing.
"""

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from watchkeeper.alerting import explain as explaining
from watchkeeper.alerting.explain import Gist
from watchkeeper.alerting.rules import Rules
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.alert import Alert, Concern
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Observation
from watchkeeper.model.operator.decision import Decision

log = logging.getLogger(__name__)

UNCHANGED = timedelta(hours=1)
"""How often an unchanged decision is explained again: the last hour of the log contains every one."""

REWORDED = timedelta(minutes=5)
"""How often an unchanged decision is explained if its reason changed: a forecast may give one reason after another."""

KEPT_AGAIN = timedelta(hours=6)
"""How often a decision is kept again whose reason alone changed: 14 days then hold at most 56 of them."""


@dataclass(frozen=True, slots=True)
class _Explained:
    """The last explanation of one concern."""

    decision: Gist
    reason: Gist
    at: datetime
    state: Gist = ()


Explained = dict[Concern, _Explained]
"""The last explanations of one series."""


class DecisionLog:
    """Explains what is due. The caller keeps the last explanations with each series."""

    @staticmethod
    def wanted() -> "DecisionLog | None":
        """Create one if its lines are logged; otherwise None."""
        return DecisionLog() if log.isEnabledFor(logging.DEBUG) else None

    @staticmethod
    def note(
        found: Finding, seen: Observation | None, limits: Rules, alert: Alert, explained: Explained, zone: tzinfo
    ) -> None:
        """Explain a finding and its effect on the alert, if that is due. explained: the series' explanations so far."""
        now = _Explained(explaining.decision(found, alert), explaining.reason(found), found.at)
        before = explained.get(found.concern)
        if before is not None and not _due(before, now):
            return
        explained[found.concern] = now
        fields = about(Event.REASON, key=found.key, concern=found.concern, priority=found.priority)
        log.debug("%s", explaining.explain(found, seen, limits, alert, zone), extra=fields)


class DecisionRecord:
    """Chooses the decisions that are kept. The caller keeps the last ones with each series."""

    @staticmethod
    def note(
        found: Finding, seen: Observation | None, limits: Rules, alert: Alert, kept: Explained, zone: tzinfo
    ) -> Decision | None:
        """The decision about a finding, if it has to be kept; else None. kept: the series' last ones.

        A change of what the operator is notified of is kept at once. What is only pending may change with each sample.
        """
        now = _Explained(explaining.decision(found, alert), explaining.reason(found), found.at, explaining.state(alert))
        before = kept.get(found.concern)
        if before is not None and not _is_news(before, now):
            return None
        kept[found.concern] = now
        return Decision(found.key, found.concern, found.at, explaining.steps_of(found, seen, limits, alert, zone))


def is_close(found: Finding) -> bool:
    """Whether a finding that moves no alert is kept all the same: a level with a date that is not reported yet."""
    return found.forecast is not None and found.forecast.likely_s is not None


def _is_news(before: _Explained, now: _Explained) -> bool:
    if before.state != now.state or now.at < before.at:
        return True
    pause = REWORDED if before.decision != now.decision else KEPT_AGAIN
    return (before.decision, before.reason) != (now.decision, now.reason) and now.at - before.at >= pause


def _due(before: _Explained, now: _Explained) -> bool:
    if before.decision != now.decision or now.at < before.at:
        return True
    pause = UNCHANGED if before.reason == now.reason else REWORDED
    return now.at - before.at >= pause
