"""The exit codes of every command, in one table: 0, 1, and otherwise those of sysexits(3).

The numbers from 64 on are those of sysexits.h (4.3BSD; the same in the BSDs and in glibc). Not here: which error a
command raises.
"""

import errno
from enum import IntEnum

from watchkeeper.errors import (
    AccessDenied,
    ConfigError,
    InputError,
    InputMissing,
    OutputError,
    SecretUnreadable,
    StoreDamaged,
    StoreFull,
    StoreMissing,
    StoreTooNew,
    WatchkeeperError,
)


class Exit(IntEnum):
    """What a command ends with."""

    OK = 0
    NEEDS_YOU = 1
    USAGE = 64  # EX_USAGE
    DATA = 65  # EX_DATAERR
    NO_INPUT = 66  # EX_NOINPUT
    UNAVAILABLE = 69  # EX_UNAVAILABLE
    SOFTWARE = 70  # EX_SOFTWARE
    CANNOT_CREATE = 73  # EX_CANTCREAT
    IO_ERROR = 74  # EX_IOERR
    NO_PERMISSION = 77  # EX_NOPERM
    CONFIG = 78  # EX_CONFIG
    INTERRUPTED = 130  # 128 + SIGINT, as in shells


MEANING = {
    Exit.OK: "done, and nothing needs you",
    Exit.NEEDS_YOU: "done, and something needs you, or the answer is no",
    Exit.USAGE: "wrong usage: an unknown command, option or name, or a wrong value",
    Exit.DATA: "an input file or the database is damaged, or has the wrong format",
    Exit.NO_INPUT: "an input file, a secret or the database does not exist or cannot be read",
    Exit.UNAVAILABLE: "something needed is not available, such as a port or a locked database",
    Exit.SOFTWARE: "a defect in watchkeeper; please report it with what was printed",
    Exit.CANNOT_CREATE: "an output file cannot be created",
    Exit.IO_ERROR: "reading or writing failed: the disk is full or faulty",
    Exit.NO_PERMISSION: "this user lacks the permission",
    Exit.CONFIG: "the configuration cannot be used; nothing was started",
    Exit.INTERRUPTED: "ended with Ctrl-C",
}
"""Every code, as the help and the manual say it."""

_OF_ERROR = (
    (SecretUnreadable, Exit.NO_INPUT),
    (ConfigError, Exit.CONFIG),
    (AccessDenied, Exit.NO_PERMISSION),
    (InputMissing, Exit.NO_INPUT),
    (InputError, Exit.DATA),
    (OutputError, Exit.CANNOT_CREATE),
    (StoreMissing, Exit.NO_INPUT),
    (StoreDamaged, Exit.DATA),
    (StoreTooNew, Exit.DATA),
    (StoreFull, Exit.IO_ERROR),
)

_OF_SYSTEM = {
    errno.EACCES: Exit.NO_PERMISSION,
    errno.EPERM: Exit.NO_PERMISSION,
    errno.EROFS: Exit.NO_PERMISSION,
    errno.EIO: Exit.IO_ERROR,
    errno.ENOSPC: Exit.IO_ERROR,
    errno.EDQUOT: Exit.IO_ERROR,
}
"""By the system's error behind ours."""


def code_of(error: WatchkeeperError) -> Exit:
    """The exit code of an error that was raised on purpose: by its class, else by the system's error behind it."""
    for kind, code in _OF_ERROR:
        if isinstance(error, kind):
            return code
    behind: BaseException | None = error
    while behind is not None:
        if isinstance(behind, OSError) and (found := _OF_SYSTEM.get(behind.errno or 0)):
            return found
        behind = behind.__cause__ or behind.__context__
    return Exit.UNAVAILABLE


def listed() -> str:
    """Every code with its meaning, a line each, for the help."""
    return "\n".join(f"{code:>5}  {words}" for code, words in MEANING.items())
