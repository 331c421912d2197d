"""Series whose probe has left the configuration, until it is known whether another probe brings them. Pure.

A probe that got another name, or was split in two, brings the series of the one before. So nothing is ended before
each new probe has looked once: an alert must not end and be raised again because of a name. Not here: ending what
nobody brings (runtime/removal.py).
"""

from collections.abc import Iterable
from datetime import datetime

UNWATCHED = "no longer watched"
"""The reason of the findings with which such a series is let go."""

CLAIM_S = 120.0
"""A probe that has not looked by then, because it hangs, is not waited for: a look is given up after seconds."""


class OrphanWait:
    """How long series without a probe are waited for: until each new probe has looked."""

    def __init__(self) -> None:
        self._to_look = frozenset[str]()
        self._since: datetime | None = None

    def begin(self, new: Iterable[str], labels: Iterable[str], now: datetime) -> None:
        """Another configuration holds, with the probes of these labels. new: those that have not looked yet."""
        self._to_look = (self._to_look | frozenset(new)) & frozenset(labels)
        self._since = now

    def looked(self, label: str) -> None:
        """A probe has looked, whatever came of it."""
        if label in self._to_look:
            self._to_look -= {label}

    def over(self, now: datetime) -> bool:
        """Is it known by now which series have no probe?"""
        waited_s = 0.0 if self._since is None else (now - self._since).total_seconds()
        return not (self._to_look and 0 <= waited_s < CLAIM_S)
