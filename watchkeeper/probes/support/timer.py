"""Times the phases of one exchange, for the probes that ask something over a network."""

from watchkeeper.clock import Clock
from watchkeeper.model.units import format_duration


class Timer:
    """Runs from when it is made. stage: what the exchange is at, in words, for the reason where it gets no further."""

    def __init__(self, clock: Clock, stage: str) -> None:
        self.stage = stage
        self.phases: list[tuple[str, float]] = []
        self._clock = clock
        self._begun_s = self._mark_s = clock.monotonic_s()

    def passed(self, phase: str, next_stage: str = "") -> None:
        """A phase is over, and the next one begins."""
        now_s = self._clock.monotonic_s()
        self.phases.append((phase, now_s - self._mark_s))
        self._mark_s, self.stage = now_s, next_stage

    @property
    def took_s(self) -> float:
        """Seconds since the start."""
        return self._clock.monotonic_s() - self._begun_s

    def too_late(self, timeout_s: float) -> str:
        """The reason where time ran out."""
        return f"no answer within {format_duration(timeout_s)} ({self.stage})"
