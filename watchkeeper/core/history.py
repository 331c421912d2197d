"""What the forecast remembers of one level. Adding a sample costs the same however long the history is."""

import numpy as np

from watchkeeper.core.trend import Floats


class LevelHistory:
    """Samples of one level in the order of time: add() takes one, arrays() gives them for the forecast."""

    def __init__(self) -> None:
        self._at: list[float] = []
        self._used: list[float] = []
        self._capacity: list[float] = []

    def add(self, at_s: float, used: float, capacity: float) -> None:
        """Take one sample: seconds since 1970, used and capacity in the level's unit."""
        self._at.append(at_s)
        self._used.append(used)
        self._capacity.append(capacity)

    def arrays(self) -> tuple[Floats, Floats, Floats]:
        """(seconds since 1970, used, capacity), oldest first."""
        return np.array(self._at), np.array(self._used), np.array(self._capacity)
