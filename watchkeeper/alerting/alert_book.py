"""The book of all alerts: nothing else keeps an alert from one evaluation to the next. Pure.

An alert is identified by its series and its concern. The book knows which alerts changed since they were last collected
for writing, and which are suppressed by another one. The alerts of a series stay here when the series is dropped: their
episode count continues if it comes back. Not here: how an alert moves (state_machine.py), which alert suppresses which
(correlation.py), what is written and when (runtime/).
"""

from collections.abc import Iterable
from datetime import datetime, timedelta

from watchkeeper.alerting import state_machine
from watchkeeper.model.alert import Alert, Concern, Delays, Priority, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import SeriesKey

AlertKey = tuple[SeriesKey, Concern]


class AlertBook:
    """Holds every alert exactly once."""

    def __init__(self, stored: Iterable[Alert] = ()) -> None:
        """stored: the alerts as they were last written."""
        self._alerts: dict[AlertKey, Alert] = {}
        self._held: dict[AlertKey, None] = {}
        self._busy = set[AlertKey]()
        self._before: dict[AlertKey, Alert | None] = {}
        self.restore(stored)

    def restore(self, stored: Iterable[Alert]) -> None:
        """Continue with alerts from the store: they count as written."""
        for alert in stored:
            self.put(alert)
        self._before.clear()

    def find(self, key: SeriesKey, concern: Concern) -> Alert | None:
        """An alert; None if the book does not have it."""
        return self._alerts.get((key, concern))

    def get(self, key: SeriesKey, concern: Concern) -> Alert:
        """An alert; if it is new, it is created in the normal state and stays in the book."""
        found = self._alerts.get((key, concern))
        if found is None:
            found = self._alerts[key, concern] = Alert(key, concern)
        return found

    def priority_of(self, key: SeriesKey, concern: Concern) -> Priority | None:
        """The priority of an alert; None if it is not active."""
        found = self._alerts.get((key, concern))
        return None if found is None else found.priority

    def concerned(self, findings: Iterable[Finding]) -> list[Finding]:
        """The findings that can change anything. Most cannot: no priority, and the alert is at rest."""
        return [found for found in findings if found.priority is not None or (found.key, found.concern) in self._busy]

    def put(self, alert: Alert) -> None:
        """Replace an alert by its new version."""
        key = alert.key, alert.concern
        before = self._alerts.get(key)
        if alert is before:
            return
        self._before.setdefault(key, before)
        self._alerts[key] = alert
        (self._busy.discard if alert.at_rest else self._busy.add)(key)
        if alert.held_by is None:
            self._held.pop(key, None)
        else:
            self._held[key] = None

    def step(self, found: Finding, now: datetime, delays: Delays) -> tuple[Transition, ...]:
        """Move an alert to the priority of its finding, independently: no other alert can suppress it."""
        moved, moves = state_machine.step(self.get(found.key, found.concern), found.priority, now, delays)
        self.put(moved)
        return moves

    def none_held(self) -> bool:
        """Return whether no alert is suppressed by another one."""
        return not self._held

    def held_by(self, holder: SeriesKey) -> list[Alert]:
        """The alerts that another one suppresses, in the order in which they were suppressed."""
        return [alert for key in self._held if (alert := self._alerts[key]).held_by == holder]

    def standing(self) -> list[Alert]:
        """The alerts whose cause is present."""
        return [alert for alert in self._alerts.values() if alert.standing]

    def any_changed(self) -> bool:
        """Return whether any alert may have changed since they were last collected."""
        return bool(self._before)

    def collect_changed(self) -> list[Alert]:
        """The alerts that have changed since the last call; the caller writes them."""
        before, self._before = self._before, {}
        changed = ((self._alerts[key], was or Alert(*key)) for key, was in before.items())
        return [now for now, was in changed if now != was]

    def bridge(self, gap: timedelta) -> None:
        """Account for a gap in monitoring, or a clock change, of this length: no delay runs meanwhile."""
        for alert in list(self._alerts.values()):
            shifted = state_machine.shifted(alert, gap)
            if shifted != alert:
                self.put(shifted)
