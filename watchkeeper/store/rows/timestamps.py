"""Instants as the integers that columns hold. Every time is bound as a parameter; SQLite's own clock is never read.

Samples count milliseconds: 6 bytes a row (an integer below 2**47), where microseconds would take 8, and no probe's
sample needs more precision. Everything else counts microseconds, the resolution of Python's datetime, so nothing is
lost.
"""

from datetime import UTC, datetime, timedelta

from watchkeeper.errors import StoreDamaged

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS, _US = timedelta(milliseconds=1), timedelta(microseconds=1)


def to_ms(at: datetime) -> int:
    """Whole milliseconds since 1970, rounded down. Exact: no float is involved."""
    return (at - EPOCH) // _MS


def to_us(at: datetime) -> int:
    """Microseconds since 1970."""
    return (at - EPOCH) // _US


def from_us(us: int) -> datetime:
    """The aware instant that to_us() encoded. Raises StoreDamaged for a number outside the range of years."""
    try:
        return EPOCH + us * _US
    except OverflowError as error:
        raise StoreDamaged(f"{us} microseconds from 1970 on are no instant") from error
