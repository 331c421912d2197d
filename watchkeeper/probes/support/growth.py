"""By how much counters rose within the last hour, or another span. Pure, in memory: a restart begins again."""

from collections import deque


class Growth:
    """One set of counters that only rise. span_s: how far back a rise counts."""

    def __init__(self, span_s: float) -> None:
        self._span_s = span_s
        self._seen: deque[tuple[float, tuple[int, ...]]] = deque()

    def add(self, at_s: float, counters: tuple[int, ...]) -> tuple[int, ...]:
        """Add what is counted now; returns by how much each rose within the span. One that falls began again: a driver
        was loaded again, and nothing from before counts for any of them.
        """
        if self._seen and any(now < before for now, before in zip(counters, self._seen[-1][1], strict=True)):
            self._seen.clear()
        self._seen.append((at_s, counters))
        while self._seen[0][0] < at_s - self._span_s:
            self._seen.popleft()
        return tuple(now - before for now, before in zip(counters, self._seen[0][1], strict=True))
