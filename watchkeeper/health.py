"""How the daemon itself is: whether its probes run, its rules are applied and its records are written."""

from datetime import datetime, timedelta

from watchkeeper.clock import Clock
from watchkeeper.pipeline import Pipeline
from watchkeeper.web.vitals import Check, Fitness, VitalSigns

REVIEW_LATE = timedelta(minutes=2)
"""Reviews come at least every 15 s; one that is this late has stopped."""


class Health:
    """Reads the daemon's own state off the pipeline, for the page and its health path."""

    def __init__(self, clock: Clock, pipeline: Pipeline) -> None:
        self._clock, self._pipeline = clock, pipeline
        self._started_at = clock.now()

    def read(self) -> VitalSigns:
        """The state right now; cheap, never blocks."""
        now = self._clock.now()
        return VitalSigns(self._started_at, (self._probes(now), self._rules(now), self._records(now)))

    def _probes(self, now: datetime) -> Check:
        troubled = self._pipeline.troubled_probes()
        fitness = Fitness.WARN if troubled else Fitness.PASS
        return Check("probes", "runs", fitness, "; ".join(troubled), len(troubled), "probes in trouble", now)

    def _rules(self, now: datetime) -> Check:
        reviewed_at = self._pipeline.reviewed_at or self._started_at
        late = now - reviewed_at > REVIEW_LATE
        output = "the rules have not been applied lately" if late else ""
        return Check("rules", "reviews", Fitness.FAIL if late else Fitness.PASS, output, at=reviewed_at)

    def _records(self, now: datetime) -> Check:
        held, trouble = self._pipeline.held_back, self._pipeline.database_trouble
        output = f"what is to be told is held in memory: {trouble or 'it is about to be written'}" if held else ""
        return Check("store", "writes", Fitness.FAIL if held else Fitness.PASS, output, held, "records held back", now)
