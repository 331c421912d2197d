"""Quantities of built-in probes that had another name in version 0.1.0. Pure.

Stored rows have today's names (store/migrations/names.py). The first names stay part of what must never change: ids of
threads and of calendar events, topics with retained messages, and links that were sent.
"""

from collections.abc import Mapping

from watchkeeper.model.observation import SeriesKey

RENAMED: Mapping[str, tuple[tuple[str, ...], str]] = {
    "promised": (("pool ", "thin pool "), "allocation"),
    "memory promised": (("guests",), "memory allocation"),
    "mended data": (("btrfs ",), "scrub errors"),
    "check-in": (("job ",), "report"),
}
"""The first name -> how the subjects begin whose quantity it was, and today's name. A probe of another package, or a
program of the operator, may use the same word for another subject: that quantity keeps its name."""


def todays_key(key: SeriesKey) -> SeriesKey:
    """The key under today's name of its quantity."""
    beginnings, today = RENAMED.get(key.quantity, ((), ""))
    return SeriesKey(key.subject, today) if key.subject.startswith(beginnings) else key


def first_quantity(key: SeriesKey) -> str:
    """The name of its quantity in version 0.1.0."""
    for first, (beginnings, today) in RENAMED.items():
        if key.quantity == today and key.subject.startswith(beginnings):
            return first
    return key.quantity
