"""Regular expressions over text that a stranger sent: searched with an end to the time it may take.

A pattern that looks harmless can take minutes on a text that was made for it, and Python's engine lets no other thread
run meanwhile: the whole watch would stand still. It does let signals in, so a timer ends the search.
"""

import re
import signal
import threading
from types import FrameType

from watchkeeper.errors import ProbeTimeout

SEARCH_LIMIT_S = 0.1
"""Far more than an honest pattern needs for the largest body that is read by default (256 KiB takes about 1 ms)."""


class TookTooLong(ProbeTimeout):
    """The search was ended."""


def found(pattern: re.Pattern[str], text: str, limit_s: float = SEARCH_LIMIT_S) -> bool:
    """Is the pattern anywhere in the text? Raises TookTooLong after `limit_s`.

    Signals reach the main thread alone, which is where the daemon's event loop runs; elsewhere there is no end to it.
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
