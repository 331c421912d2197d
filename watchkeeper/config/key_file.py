"""A key of this installation, in a file that no other user may read; made when it is first needed."""

import logging
import os
import secrets
import stat
from pathlib import Path

from watchkeeper.errors import AccessDenied, StartError
from watchkeeper.logs.fields import Event, about
from watchkeeper.os_errors import remedy
from watchkeeper.ownership.folder_owner import owner_of
from watchkeeper.ownership.whole_file import write_whole

log = logging.getLogger(__name__)

KEY_BYTES = 32
"""As long as the digest that it keys (RFC 2104 3)."""
DAMAGED = ".damaged"
"""Ends the name under which a key of the wrong length is kept."""


def own_key(path: Path) -> bytes:
    """The key in a file, which is made if it is not there. Raises StartError if it cannot be read or made.

    A key of the wrong length is renamed and a new one is made: one damaged file must not keep the daemon from starting.

    Never by root in another user's folder: a link there could have any file of root used as the key.
    """
    if (owner := owner_of(path.parent)) is not None:
        raise AccessDenied(f"the key in {path} belongs to {owner}, and this is root: run this as that user")
    try:
        try:
            key = _read(path)
        except FileNotFoundError:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            return _make(path)
        return key if len(key) == KEY_BYTES else _replace(path, key)
    except OSError as error:
        raise StartError(
            f"the key in {path} cannot be used: {error.strerror or error}; {remedy(error, 'see who owns the folder')}"
        ) from None


def _read(path: Path) -> bytes:
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise StartError(f"{path} is not a regular file; remove it, and a new key is made")
        return file.read(KEY_BYTES + 1)


def _replace(path: Path, key: bytes) -> bytes:
    length = f"more than {KEY_BYTES}" if len(key) > KEY_BYTES else f"{len(key)}"
    kept = path.with_name(path.name + DAMAGED)
    path.replace(kept)
    log.warning(
        "the key in %s had %s bytes, not %s: it is kept as %s and a new one was made, so links in earlier messages "
        "no longer work",
        path, length, KEY_BYTES, kept, extra=about(Event.START),
    )  # fmt: skip
    return _make(path)


def _make(path: Path) -> bytes:
    key = secrets.token_bytes(KEY_BYTES)
    write_whole(path, key)
    return key
