"""Clocks that a test moves by hand."""

from datetime import datetime, timedelta

from watchkeeper.clock import Clock


class HandClock(Clock):
    """Both clocks stand still until they are moved; the wall clock can be set on its own."""

    def __init__(self, wall: datetime, steady_s: float = 1_000.0) -> None:
        self.wall, self.steady_s = wall, steady_s

    def now(self) -> datetime:
        return self.wall

    def monotonic_s(self) -> float:
        return self.steady_s

    def advance(self, seconds: float) -> None:
        """Let time pass, on both clocks."""
        self.wall += timedelta(seconds=seconds)
        self.steady_s += seconds
