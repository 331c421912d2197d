"""Writes a file whole or not at all, also at a power cut, and never through a link at its path.

As root in another user's folder it is written with that user's rights. Not here: the database (store/).
"""

import errno
import os
import secrets
from contextlib import suppress
from pathlib import Path

from watchkeeper.ownership.file_rights import with_rights_of
from watchkeeper.ownership.folder_owner import owner_of

FILE_MODE = 0o600


def write_whole(path: Path, content: bytes, mode: int = FILE_MODE) -> None:
    """Write a file, and replace an older one or a link at its path.

    Raises OSError, also for a device, a pipe or a socket at its path, which is never replaced; and StartError where
    another user could redirect root.
    """
    with_rights_of(owner_of(path.parent, shared=True), lambda: _write(path, content, mode))


def replaceable(path: Path) -> bool:
    """Whether nothing is at a path, or a file. To replace a device such as /dev/null would break other programs."""
    return path.is_file() or not path.exists()


def _write(path: Path, content: bytes, mode: int) -> None:
    if not path.is_dir() and not replaceable(path):
        raise FileExistsError(errno.EEXIST, "it is not a regular file", str(path))
    fresh = path.with_name(f".{path.name}.{secrets.token_hex(8)}.new")
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
    except OSError:
        with suppress(OSError):
            fresh.unlink()
        raise
