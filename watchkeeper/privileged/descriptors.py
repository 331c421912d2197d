"""The limit on open file descriptors: raised for the daemon, restored for the programs that it runs.

systemd advises for RLIMIT_NOFILE (systemd.exec(5)): a process that does not use select(2) raises its soft limit to the
hard one, and resets it for its children, because select(2) fails above descriptor 1023. Not here: how many of them the
page may use (web/http/limits.py).
"""

import resource
from contextlib import suppress

MOST = 65_536
"""Not more, even where the hard limit is a billion: programs that close every possible descriptor then take minutes."""

_given: list[tuple[int, int]] = []
"""The limits with which this process was started; empty while they are unchanged. Limits are per process."""


def limit() -> int:
    """How many descriptors this process may have open."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return MOST if soft == resource.RLIM_INFINITY else soft


def raise_limit() -> int:
    """Raise the soft limit to the hard one, at most to MOST, and return it. If that fails, the limit stays as it is."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = MOST if hard == resource.RLIM_INFINITY else min(hard, MOST)
    if soft != resource.RLIM_INFINITY and soft < most:
        with suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
            _given.append((soft, hard))
    return limit()


def give_back(pid: int) -> None:
    """Give a program that was just started the limits that this process was started with.

    Its first instructions run with the higher limit, which is harmless: select(2) fails because of a descriptor's
    number and not because of the limit. A function called between fork and exec would not be safe with threads.
    """
    if _given:
        # It may have ended, or run as another user, whose limits we may not set.
        with suppress(OSError, ValueError):
            resource.prlimit(pid, resource.RLIMIT_NOFILE, _given[0])
