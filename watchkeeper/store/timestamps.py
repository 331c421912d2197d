"""Instants as the integers that columns hold. Every time is bound as a parameter; SQLite's own clock is never read.

Samples count milliseconds: 6 bytes a row (an integer below 2**47), where microseconds would take 8, and no probe's
sample is worth more. Everything else counts microseconds, the grain of Python's datetime, so that nothing is lost.
"""

from datetime import UTC, datetime, timedelta

from watchkeeper.errors import StoreDamaged

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS, _US = timedelta(milliseconds=1), timedelta(microseconds=1)


def to_ms(at: datetime) -> int:
    """Whole milliseconds since 1970, rounded down. Exact: no float is in between."""
    return (at - EPOCH) // _MS


def to_us(at: datetime) -> int:
    """Microseconds since 1970."""
    return (at - EPOCH) // _US


def from_us(us: int) -> datetime:
    """The aware instant that to_us() counted. Raises StoreDamaged for a number that counts beyond all years."""
    try:
        return EPOCH + us * _US
    except OverflowError as error:
        raise StoreDamaged(f"{us} microseconds from 1970 on are no instant") from error
