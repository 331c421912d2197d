"""The limit of open file descriptors: raised for the daemon, given back to the programs that it runs.

systemd's advice for RLIMIT_NOFILE (systemd.exec(5)): a process that does not use select(2) raises its soft limit to the
hard one, and sets it back for its children, since select(2) fails above descriptor 1023. Not here: what the page may
take of them (web/http/limits.py).
"""

import resource
from contextlib import suppress

MOST = 65_536
"""Not more, even where the hard limit is a billion: programs that close all they may have open take minutes then."""

_given: list[tuple[int, int]] = []
"""The limits with which this process was started; empty as long as it has them still. Limits are of the process."""


def limit() -> int:
    """How many descriptors this process may have open."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return MOST if soft == resource.RLIM_INFINITY else soft


def raise_limit() -> int:
    """Raise the soft limit to the hard one, at most to MOST; how many may be open now. Where it fails it stays."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = MOST if hard == resource.RLIM_INFINITY else min(hard, MOST)
    if soft != resource.RLIM_INFINITY and soft < most:
        with suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
            _given.append((soft, hard))
    return limit()


def give_back(pid: int) -> None:
    """Let a program that was just started have the limits that this process was started with.

    It runs its first instructions with the higher limit, which is harmless: select(2) fails by the number of a
    descriptor and not by the limit. A function that is called between fork and exec would not be safe beside threads.
    """
    if _given:
        # It may have ended, or run as another user, whose limits are not ours to set.
        with suppress(OSError, ValueError):
            resource.prlimit(pid, resource.RLIMIT_NOFILE, _given[0])
