"""The database's files: its folder, the file with its permissions, and the lock that keeps a second daemon out.

No link is followed where it would lead out of the folder. Not here: what is in the file (store/schema.py,
store/connection.py).
"""

import errno
import fcntl
import os
import stat
from contextlib import suppress
from pathlib import Path

from watchkeeper.errors import AccessDenied, StartError, StoreError, StoreFull
from watchkeeper.os_errors import remedy
from watchkeeper.ownership.folder_owner import Owner, owner_of, real_file, user

FOLDER_MODE = 0o700
FILE_MODE = 0o600
"""Private: names of guests, addresses and what is wrong with the host concern nobody else. SQLite gives its -wal and
-shm files the mode of the database."""

BESIDE = ("", "-wal", "-shm", "-journal", ".lock")
"""Suffixes after the database's name in the names of the files that are opened with it."""


def make_database_file(path: Path) -> None:
    """Make the folder (0700) and an empty file (0600) where they are missing; what exists keeps its mode.

    Raises StartError where that is not allowed, StoreFull where there is no space.
    """
    refuse_root(path)
    try:
        make_folder(path.parent)
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE))
    except OSError as error:
        raise refusal(path, error) from error


def refuse_root(path: Path) -> None:
    """Raise StartError where root would write, for a long time, in a folder that belongs to another user."""
    if (owner := owner_of(real_file(path).parent)) is not None:
        raise AccessDenied(
            f"{owner.folder} belongs to {owner}, and this is root: run this as that user "
            f"(for the service: systemctl start watchkeeper), or give the folder to root"
        )


def refuse_strangers(path: Path, owner: Owner) -> None:
    """Raise StoreError unless the database's files belong to the owner of their folder.

    For root, who works with that owner's rights: any other file was put there to redirect root, or was left by root.
    """
    for each in (path.with_name(path.name + tail) for tail in BESIDE):
        try:
            status = each.lstat()
        except FileNotFoundError:
            continue
        except OSError as error:
            raise refusal(each, error) from error
        if not stat.S_ISREG(status.st_mode):
            what = "a link" if stat.S_ISLNK(status.st_mode) else "no file"
            raise StoreError(f"{each} is {what}: check what it is, remove it, and run this again")
        if status.st_uid != owner.uid:
            raise StoreError(
                f"{each} belongs to {user(status.st_uid)} and its folder to {owner}: "
                "give it to that user (chown), or remove it"
            )


def make_folder(folder: Path) -> None:
    """Like `mkdir -p`, but every new folder gets our mode, not only the last."""
    if not folder.is_dir():
        make_folder(folder.parent)
        folder.mkdir(mode=FOLDER_MODE, exist_ok=True)


def refusal(path: Path, error: OSError) -> StartError | StoreFull:
    """The error where a file cannot be made."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return StoreFull(f"{path} cannot be created ({error.strerror}): free some space on its file system")
    if error.errno == errno.ELOOP:
        return StartError(f"{path} is a link, and links are not followed here: remove it")
    return StartError(
        f"{path} cannot be opened for writing ({error.strerror}): "
        + remedy(error, "give this user the right to write there, or name another place for the database")
    )


def set_aside(path: Path, aside: Path) -> None:
    """Rename a database that nobody has open, with its -wal. Its -shm is only an index of that, and is deleted.

    The -wal first: if a power cut left it behind, SQLite would apply it to whatever database comes next.
    """
    path.with_name(f"{path.name}-shm").unlink(missing_ok=True)
    with suppress(FileNotFoundError):
        path.with_name(f"{path.name}-wal").rename(aside.with_name(f"{aside.name}-wal"))
    with suppress(FileNotFoundError):
        path.rename(aside)
    sync(path.parent)


def put_in_place(made: Path, path: Path) -> None:
    """Rename a complete, closed database, so that a power cut leaves either it or the previous one.

    Not allowed while `path` has a -wal of its own.
    """
    sync(made)
    made.replace(path)
    sync(path.parent)


def sync(path: Path) -> None:
    """Write a file's content, or the names in a folder, to the disk."""
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


class Lock:
    """Held by the one process that writes to a database. The kernel releases it when the process ends, however it ends.

    The lock is on a file of its own beside the database (closing any handle of a file that SQLite uses would drop
    SQLite's own locks on it), and that file is never deleted (a second process could lock one that has no name).
    """

    def __init__(self, database: Path) -> None:
        """Take the lock. Raises StartError, which says who holds it."""
        path = database.with_name(database.name + ".lock")
        try:
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, FILE_MODE)
        except OSError as error:
            raise refusal(path, error) from error
        if not stat.S_ISREG(os.fstat(self._handle).st_mode):
            os.close(self._handle)
            raise StartError(f"{path} is no file: see what it is, and take it away")
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = os.read(self._handle, 100).decode(errors="replace").strip()
            os.close(self._handle)
            raise StartError(
                f"the database {database} is in use by {holder or 'another process'}: "
                "end that one first, or name another place for the database"
            ) from error
        self._say_who()

    def _say_who(self) -> None:
        try:
            os.ftruncate(self._handle, 0)
            os.pwrite(self._handle, f"process {os.getpid()}\n".encode(), 0)
        except OSError:
            # On a full disk the lock works anyway; a second process then reports "another process".
            return

    def release(self) -> None:
        """Release the lock."""
        os.close(self._handle)
