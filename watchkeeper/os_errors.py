"""What to do about an error of the operating system, where the remedy depends on the error and not on the caller.

"Permission denied" is fixed at the file that is named; "too many open files" is not, although the same call raises it.
Not here: the text for network errors (probes/support/resolve.py).
"""

import errno
import os
import resource

EXHAUSTED = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOMEM})
"""These errors say nothing about the thing to be opened: it was not examined."""


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
