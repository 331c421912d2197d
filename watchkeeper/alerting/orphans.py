"""Series whose probe was removed from the configuration, until it is known whether another probe delivers them. Pure.

A probe that was renamed, or split in two, delivers the series of the previous one. So nothing is ended before each new
probe has run once: an alert must not end and be raised again because of a name. Not here: ending the series that no
probe delivers (runtime/removal.py).
"""

from collections.abc import Iterable
from datetime import datetime

UNWATCHED = "no longer monitored"
"""The reason of the findings with which such a series is removed."""

UNWATCHED_REASONS = frozenset({UNWATCHED, "no longer watched"})  # the second one: stored by 0.1.0

CLAIM_S = 120.0
"""A probe that has not run by then, because it hangs, is not waited for: a run is given up after seconds."""


class OrphanWait:
    """How long to wait for series without a probe: until each new probe has run."""

    def __init__(self) -> None:
        self._to_look = frozenset[str]()
        self._since: datetime | None = None

    def begin(self, new: Iterable[str], labels: Iterable[str], now: datetime) -> None:
        """Start with a new configuration, with the probes of these labels. new: those that have not run yet."""
        self._to_look = (self._to_look | frozenset(new)) & frozenset(labels)
        self._since = now

    def looked(self, label: str) -> None:
        """Record that a probe has run, whatever the result."""
        if label in self._to_look:
            self._to_look -= {label}

    def over(self, now: datetime) -> bool:
        """Return whether it is known by now which series have no probe."""
        waited_s = 0.0 if self._since is None else (now - self._since).total_seconds()
        return not (self._to_look and 0 <= waited_s < CLAIM_S)
