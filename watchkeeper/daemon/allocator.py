"""The memory of the C library: one pool for all threads, instead of one for each."""

import ctypes

M_ARENA_MAX = -8
"""malloc.h of glibc; mallopt(3)."""


def share_one_arena() -> None:
    """Make all threads allocate from one arena. Call it before any thread is started.

    glibc gives each thread an arena of its own, which keeps what the thread has freed: 2.6 MiB for the threads of the
    store and the workers, which seldom run at the same time (tests/bench/daemon.py). With another C library this has no
    effect.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(M_ARENA_MAX, 1)
