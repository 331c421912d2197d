"""Times the phases of one exchange, for the probes that query something over a network."""

from watchkeeper.clock import Clock
from watchkeeper.model.units import format_duration


class Timer:
    """Runs from its creation. stage: what the exchange is doing, in words, for the reason if it gets no further."""

    def __init__(self, clock: Clock, stage: str) -> None:
        self.stage = stage
        self.phases: list[tuple[str, float]] = []
        self._clock = clock
        self._begun_s = self._mark_s = clock.monotonic_s()

    def passed(self, phase: str, next_stage: str = "") -> None:
        """End a phase and begin the next one."""
        now_s = self._clock.monotonic_s()
        self.phases.append((phase, now_s - self._mark_s))
        self._mark_s, self.stage = now_s, next_stage

    @property
    def took_s(self) -> float:
        """Seconds since the start."""
        return self._clock.monotonic_s() - self._begun_s

    def too_late(self, timeout_s: float) -> str:
        """The reason given when time ran out."""
        return f"no answer within {format_duration(timeout_s)} ({self.stage})"
