"""Searches untrusted text with a regular expression, within a time limit.

A pattern that looks harmless can take minutes on crafted text, and Python's engine lets no other thread run meanwhile:
the whole daemon would freeze. The engine does handle signals, so a timer ends the search.
"""

import re
import signal
import threading
from types import FrameType

from watchkeeper.errors import ProbeTimeout

SEARCH_LIMIT_S = 0.1
"""Far more than an ordinary pattern needs for the largest body that is read by default (256 KiB takes about 1 ms)."""


class TookTooLong(ProbeTimeout):
    """The search reached its time limit and was ended."""


def found(pattern: re.Pattern[str], text: str, limit_s: float = SEARCH_LIMIT_S) -> bool:
    """Whether the pattern matches anywhere in the text. Raises TookTooLong after `limit_s`.

    Signals reach only the main thread, which is where the daemon's event loop runs; in other threads there is no limit.
    """
    if threading.current_thread() is not threading.main_thread():
        return pattern.search(text) is not None
    before = signal.signal(signal.SIGALRM, _end)
    try:
        try:
            signal.setitimer(signal.ITIMER_REAL, limit_s)
            return pattern.search(text) is not None
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
    finally:
        signal.signal(signal.SIGALRM, before)


def _end(_number: int, _frame: FrameType | None) -> None:
    raise TookTooLong
