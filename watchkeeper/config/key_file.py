"""A key of this installation, stored in a file that only its owner can read, and created when it is first needed."""

import os
import secrets
import stat
from pathlib import Path

from watchkeeper.errors import StartError
from watchkeeper.os_errors import remedy
from watchkeeper.ownership.folder_owner import owner_of

KEY_BYTES = 32
"""As long as the digest that it keys (RFC 2104 3)."""


def own_key(path: Path) -> bytes:
    """The key in a file, which is created if it does not exist. Raises StartError if neither is possible.

    Never used by root in another user's folder: a link there could make any file of root serve as the key.
    """
    if (owner := owner_of(path.parent)) is not None:
        raise StartError(f"the key in {path} belongs to {owner}, and this is root: run this as that user")
    try:
        try:
            return _read(path)
        except FileNotFoundError:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            return _make(path)
    except OSError as error:
        raise StartError(
            f"the key in {path} cannot be had: {error.strerror or error}; {remedy(error, 'see who owns the folder')}"
        ) from None


def _read(path: Path) -> bytes:
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise StartError(f"{path} is no file: take it away, and a new key is made")
        key = file.read(KEY_BYTES + 1)
    if len(key) != KEY_BYTES:
        length = f"more than {KEY_BYTES}" if len(key) > KEY_BYTES else f"{len(key)}"
        raise StartError(
            f"the key in {path} has {length} bytes, not {KEY_BYTES}; remove the file, and a new one is made "
            "(links in messages that were sent before are good no more)"
        )
    return key


def _make(path: Path) -> bytes:
    """Write it completely under a temporary name, then rename it, so that a power cut leaves no partial key."""
    key = secrets.token_bytes(KEY_BYTES)
    half = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        handle = os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(key)
            file.flush()
            os.fsync(file.fileno())
        half.replace(path)
    finally:
        half.unlink(missing_ok=True)
    return key
