"""The daemon's own health: whether probes run, rules are applied, records are written and messages are delivered."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Protocol

from watchkeeper.clock import Clock
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.web.dashboard.health import Check, HealthReport, Measurements

REVIEW_LATE = timedelta(minutes=2)
"""Reviews run at least every 15 s; one that is this late has stopped."""


DELIVERY_LATE_S = 600.0
"""A receiver that accepts nothing for this long has a problem; one that restarts or asks to retry later does not."""


class Deliveries(Protocol):
    """What health needs of the outbox."""

    def failing(self, longer_than_s: float) -> tuple[Mapping[str, str], int]:
        """The notifiers that have delivered nothing for this long, with the reason; and the number of all notifiers."""
        ...


class Health:
    """Reads the daemon's own health from the state of the pipeline, for the page and its health path."""

    def __init__(self, clock: Clock, state: PipelineState, deliveries: Deliveries | None = None) -> None:
        """deliveries: None where nobody is notified."""
        self._clock, self._state, self._outbox = clock, state, deliveries
        self._started_at = clock.now()
        self.refused = ""
        """Why the newest configuration was rejected; empty where it was accepted."""

    def read(self) -> Measurements:
        """The current state; cheap, never blocks."""
        now = self._clock.now()
        checks: tuple[Check, ...] = (self._probes(now), self._rules(now), self._records(now), self._deliveries(now))
        if self.refused:
            checks = (*checks, Check("configuration", "reload", HealthReport.WARN, self.refused, at=now))
        return Measurements(self._started_at, checks)

    def _probes(self, now: datetime) -> Check:
        troubled = self._state.troubled_probes()
        fitness = HealthReport.WARN if troubled else HealthReport.PASS
        return Check("probes", "runs", fitness, "; ".join(troubled), len(troubled), "probes in trouble", now)

    def _rules(self, now: datetime) -> Check:
        reviewed_at = self._state.reviewed_at or self._started_at
        late = now - reviewed_at > REVIEW_LATE
        output = "the rules have not been applied for over two minutes" if late else ""
        return Check("rules", "reviews", HealthReport.FAIL if late else HealthReport.PASS, output, at=reviewed_at)

    def _records(self, now: datetime) -> Check:
        held, trouble = self._state.held_back, self._state.database_trouble
        output = f"messages are held in memory: {trouble or 'they are about to be written'}" if held else ""
        return Check(
            "store", "writes", HealthReport.FAIL if held else HealthReport.PASS, output, held, "records held back", now
        )

    def _deliveries(self, now: datetime) -> Check:
        """Fail where no notifier delivers, warn where only some do not."""
        failing, of = self._outbox.failing(DELIVERY_LATE_S) if self._outbox is not None else ({}, 0)
        fitness = HealthReport.PASS if not failing else HealthReport.WARN if len(failing) < of else HealthReport.FAIL
        output = "; ".join(f"{name} delivers nothing: {why.removeprefix(f'{name}: ')}" for name, why in failing.items())
        return Check("deliveries", "messages", fitness, output, len(failing), "notifiers in trouble", now)
