"""A key of this installation, kept in a file that nobody else may read, and made when it is first wanted."""

import os
import secrets
from pathlib import Path

from watchkeeper.errors import StartError
from watchkeeper.os_errors import remedy

KEY_BYTES = 32
"""As long as the digest that it keys (RFC 2104 3)."""


def own_key(path: Path) -> bytes:
    """The key in a file, which is made where it is not there. Raises StartError where it cannot be had."""
    try:
        try:
            return _read(path)
        except FileNotFoundError:
            path.parent.mkdir(parents=True, exist_ok=True)
            return _make(path)
    except OSError as error:
        raise StartError(
            f"the key in {path} cannot be had: {error.strerror or error}; {remedy(error, 'see who owns the folder')}"
        ) from None


def _read(path: Path) -> bytes:
    key = path.read_bytes()
    if len(key) != KEY_BYTES:
        raise StartError(
            f"the key in {path} has {len(key)} bytes, not {KEY_BYTES}; remove the file, and a new one is made "
            "(links in messages that were sent before are good no more)"
        )
    return key


def _make(path: Path) -> bytes:
    """Written whole under another name, and then given its own, so that a power cut leaves no half of a key."""
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
