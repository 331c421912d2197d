"""What to do about an error of the operating system, where the remedy depends on the error and not on the caller.

"Permission denied" is fixed at the file that is named; "too many open files" is not, although the same call raises it.
Also here: why a connection failed, in a few words.
"""

import errno
import os
import re
import resource
import socket

EXHAUSTED = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOMEM})
"""These errors say nothing about the thing to be opened: it was not examined."""


NETWORK = {
    errno.ECONNREFUSED: "connection refused",
    errno.ECONNRESET: "connection reset",
    errno.EPIPE: "connection reset",
    errno.EHOSTUNREACH: "no route to the host",
    errno.ENETUNREACH: "no route to the network",
    errno.ETIMEDOUT: "the host does not answer",
}
"""The usual errors of connections, in words."""

UNKNOWN_NAME = frozenset({socket.EAI_NONAME, socket.EAI_NODATA})
"""The name server answered: the name does not exist, or it has no address."""

_NUMBER = re.compile(r"\[Errno (\d+)\]")
"""asyncio puts several errors into the text of one: `Multiple exceptions: [Errno 111] ..., [Errno 111] ...`."""


def connection_failure(error: OSError) -> str:
    """Why a connection failed, in a few words and without an address: `connection refused`."""
    if isinstance(error, socket.gaierror):
        return "its name is not known" if error.errno in UNKNOWN_NAME else "its name cannot be looked up"
    if isinstance(error, TimeoutError):
        return NETWORK[errno.ETIMEDOUT]
    numbers = [error.errno] if error.errno else [int(found) for found in _NUMBER.findall(str(error))]
    words = dict.fromkeys(NETWORK.get(each) or os.strerror(each) for each in numbers)
    return ", ".join(words) or type(error).__name__


def exhausted(error: BaseException) -> bool:
    """Did it fail because this process or the host ran out of descriptors or memory?"""
    return isinstance(error, OSError) and error.errno in EXHAUSTED


def remedy(error: OSError, usual: str) -> str:
    """What to do. usual: the caller's own advice, for an error about the thing itself."""
    match error.errno:
        case errno.EMFILE:
            limit, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
            return (
                f"this process has no free file descriptors (limit {limit}); see what holds them with "
                f"`ls -l /proc/{os.getpid()}/fd`, or raise LimitNOFILE= of its unit"
            )
        case errno.ENFILE:
            return "the host has no free file descriptors; see what holds them, or raise the sysctl fs.file-max"
        case errno.ENOMEM:
            return "the host has no free memory; see what uses it with `ps aux --sort=-rss`"
        case errno.EIO:
            return "the storage below it has an error; see `journalctl --dmesg`"
        case errno.EROFS:
            return "its file system is mounted read-only; see `journalctl --dmesg`"
        case _:
            return usual


def explained(error: OSError) -> str:
    """The error in the system's words, with the remedy where the error is not about the thing that was to be used."""
    words = error.strerror or str(error) or type(error).__name__
    return f"{words}: {remedy(error, '')}" if exhausted(error) else words
