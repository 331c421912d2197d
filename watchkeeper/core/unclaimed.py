"""Series whose probe has left the configuration, until it is known whether another probe brings them. Pure.

A probe that got another name, or was split in two, brings the series of the one before. So nothing is ended before
each new probe has looked once: an alert must not end and be raised again because of a name. Not here: ending what
nobody brings (pipeline.py).
"""

from collections.abc import Collection, Iterable
from datetime import datetime

from watchkeeper.core.observation import SeriesKey

UNWATCHED = "no longer watched"
"""The reason of the findings with which such a series is let go."""

CLAIM_S = 120.0
"""A probe that has not looked by then, because it hangs, is not waited for: a look is given up after seconds."""


class Unclaimed:
    """The series that nobody brings, and the probes that have not looked yet."""

    def __init__(self) -> None:
        self.keys = frozenset[SeriesKey]()
        self._to_look = frozenset[str]()
        self._since: datetime | None = None

    def begin(self, keys: Iterable[SeriesKey], new: Collection[str], labels: Collection[str], now: datetime) -> None:
        """Another configuration holds: these series have no probe. new: probes that have not looked yet."""
        self.keys = frozenset(keys)
        self._to_look = (self._to_look | frozenset(new)) & frozenset(labels)
        self._since = now

    def looked(self, label: str) -> None:
        """A probe has looked, whatever came of it."""
        self._to_look -= {label}

    def claimed(self, key: SeriesKey) -> bool:
        """A probe has brought a series: had it none?"""
        was = key in self.keys
        self.keys -= {key}
        return was

    def settled(self, now: datetime) -> frozenset[SeriesKey]:
        """The series that are no longer watched, once that is known; they are forgotten here."""
        waited_s = 0.0 if self._since is None else (now - self._since).total_seconds()
        if self._to_look and 0 <= waited_s < CLAIM_S:
            return frozenset()
        left, self.keys = self.keys, frozenset()
        return left
