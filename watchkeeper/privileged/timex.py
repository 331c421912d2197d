"""Prints what the kernel says of its clock, by adjtimex(2), as JSON: `python -m ...`. Changes nothing.

The daemon's unit blocks all system calls about clocks, so the privileged helper asks for it; where the call is allowed,
the daemon asks directly. What the figures mean is decided in probes/host/clock.py.
"""

import ctypes
import json
import os
import sys
from collections.abc import Mapping

ASKED = ("maxerror", "esterror", "offset", "status")


class Timex(ctypes.Structure):
    """struct timex of adjtimex(2), as glibc declares it."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("constant", ctypes.c_long),
        ("precision", ctypes.c_long),
        ("tolerance", ctypes.c_long),
        ("time_sec", ctypes.c_long),
        ("time_usec", ctypes.c_long),
        ("tick", ctypes.c_long),
        ("ppsfreq", ctypes.c_long),
        ("jitter", ctypes.c_long),
        ("shift", ctypes.c_int),
        ("stabil", ctypes.c_long),
        ("jitcnt", ctypes.c_long),
        ("calcnt", ctypes.c_long),
        ("errcnt", ctypes.c_long),
        ("stbcnt", ctypes.c_long),
        ("tai", ctypes.c_int),
        ("reserved", ctypes.c_int * 11),
    )


def read() -> Mapping[str, int]:
    """The requested fields, as the kernel has them. Raises OSError where the call is not allowed."""
    found = Timex(modes=0)
    if ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(found)) < 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
    return {name: int(getattr(found, name)) for name in ASKED}


def main() -> int:
    """Ask and print. The exit status is 1 where there is nothing to print; standard error then says why."""
    try:
        print(json.dumps(read()))  # noqa: T201  its output is its purpose
    except OSError as error:
        print(f"adjtimex: {error.strerror}", file=sys.stderr)  # noqa: T201
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
