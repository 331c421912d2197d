"""Backups: copies the database while the daemon writes, and restores a copy in the database's place.

A copy is made under a temporary name, checked, synced, and only then renamed, so that a power cut or a full disk never
leaves an incomplete copy under the final name. Root works with the rights of each folder's owner, and the copy passes
from one to the other through an open handle. Not here: what the commands print (cli/).
"""

import errno
import os
import shutil
import sqlite3
import stat
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path
from urllib.parse import quote

from watchkeeper.errors import OutputError, StoreDamaged, StoreError, StoreMissing, WatchkeeperError
from watchkeeper.os_errors import remedy
from watchkeeper.ownership.file_rights import with_rights_of
from watchkeeper.ownership.folder_owner import Owner, owner_of, real_file
from watchkeeper.ownership.whole_file import replaceable
from watchkeeper.store import connection as database
from watchkeeper.store import schema
from watchkeeper.store.files import file_lock
from watchkeeper.store.recovery import definitions

REPLACED = ".replaced-"
"""Between the database's name and the instant, in the name of a database that a backup replaced."""

MESSAGES = 3
"""How many of the faults that SQLite finds in a file are reported."""

Refusal = Callable[[Path, OSError], WatchkeeperError]
"""Makes the error where a file cannot be written."""

PART_BYTES = 2**20
"""Bytes read and written at once where a copy goes from one user to another."""


def back_up(source: Path, target: Path, *, replace: bool) -> int:
    """Copy the database as it is at this moment to a file. Returns the copy's bytes.

    replace: overwrite an existing file. Raises OutputError if there is one and replace is not set, or if the target
    cannot be written; StoreMissing; StoreFull; StoreDamaged; AccessDenied if another user could redirect root.
    """
    source = real_file(source)
    owner, receiver = owner_of(source.parent), owner_of(target.parent, shared=True)
    if _same(source, target):
        raise OutputError(f"{target} is the database itself: name another file")
    if owner is None and receiver is None:
        return _back_up_beside(source, target, replace=replace)
    with_rights_of(receiver, lambda: _refuse_target(target, replace=replace))
    handle = with_rights_of(owner, lambda: _copied(source, owner))
    try:
        return with_rights_of(receiver, lambda: _receive(handle, target))
    finally:
        os.close(handle)


def _back_up_beside(source: Path, target: Path, *, replace: bool) -> int:
    """Both folders belong to this user: the copy is made where it is to stay."""
    _refuse_target(target, replace=replace)
    with _passing(target, _cannot_create) as copy:
        _copy(source, copy)
        file_lock.put_in_place(copy, target)
    return target.stat().st_size


def _refuse_target(target: Path, *, replace: bool) -> None:
    if target.is_dir():
        raise OutputError(f"{target} is a folder: name another file")
    if not replaceable(target):
        raise OutputError(f"{target} is not a regular file: name another file")
    if os.path.lexists(target) and not replace:
        raise OutputError(f"{target} exists: name another file, or replace it with --force")


def _copy(source: Path, copy: Path) -> None:
    """Fill an empty file with a copy, and check it. The daemon continues to write meanwhile."""
    if not source.is_file():
        raise database.none_yet(source)
    with closing(_reading(source)) as conn, _copying(source, copy):
        # An older format is accepted, and the copy keeps it: an upgrade copies the database before it changes it.
        if schema.is_empty(conn):
            raise database.none_yet(source)
        schema.check_ours(conn, source)
        conn.execute("VACUUM INTO ?", (str(copy),))
    check(copy)


def _copied(source: Path, owner: Owner | None) -> int:
    """A handle on a copy that has no name any more. It is made beside the database, where its owner may write."""
    if owner is not None:
        file_lock.refuse_strangers(source, owner)
    with _passing(source) as copy:
        _copy(source, copy)
        return os.open(copy, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)


def _receive(handle: int, target: Path) -> int:
    """Write what another user's handle holds to a file of this user's. It was checked with that user's rights."""
    with _passing(target, _cannot_create) as copy, _told_of(target, _cannot_create):
        size = _pour(handle, copy)
        file_lock.put_in_place(copy, target)
    return size


def _pour(handle: int, copy: Path) -> int:
    """Fill an empty file from an open one. Returns the bytes."""
    with os.fdopen(os.dup(handle), "rb") as source, copy.open("wb") as file:
        source.seek(0)
        shutil.copyfileobj(source, file, PART_BYTES)
        return file.tell()


def _cannot_create(target: Path, error: OSError) -> WatchkeeperError:
    """The error where a copy cannot be made."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return file_lock.refusal(target, error)
    return OutputError(
        f"{target} cannot be created ({error.strerror}): "
        + remedy(error, "name a file in a folder that exists and that this user may write to")
    )


@contextmanager
def _told_of(path: Path, refusal: Refusal = file_lock.refusal) -> Iterator[None]:
    """Turn errors of the system into errors that name the file."""
    try:
        yield
    except OSError as error:
        raise refusal(path, error) from error


def restore(backup: Path, path: Path, at: datetime) -> Path | None:
    """Put a backup in the database's place. Returns the name under which the previous database is kept.

    Raises StoreError and its subclasses where the backup is not an intact watchkeeper database, StartError where a
    daemon holds the database, or another user could redirect root; the database is not changed then.
    """
    path, backup = real_file(path), real_file(backup)
    owner, giver = owner_of(path.parent), _giver(backup)
    if _same(backup, path):
        raise StoreError(f"{backup} is the database itself: name a backup")
    if owner is None and giver is None:
        return _restore_beside(backup, path, at)
    handle = with_rights_of(giver, lambda: _opened(backup))
    try:
        return with_rights_of(owner, lambda: _restore_from(handle, backup, path, at, owner))
    finally:
        os.close(handle)


def _giver(backup: Path) -> Owner | None:
    """Whose rights are used to read a backup: in a folder that everyone may write to, those of the file's own owner."""
    owner = owner_of(backup.parent, shared=True)
    if owner is not None or os.geteuid() != 0:
        return owner
    try:
        status = backup.lstat()
    except FileNotFoundError:
        raise _no_backup(backup) from None
    return None if status.st_uid == 0 else Owner(status.st_uid, status.st_gid, backup.parent.resolve())


def _restore_beside(backup: Path, path: Path, at: datetime) -> Path | None:
    """Both folders belong to this user."""
    if not backup.is_file():
        raise _no_backup(backup)
    check(backup)

    def fill(copy: Path) -> None:
        with closing(_reading(backup)) as conn, _copying(backup, copy):
            conn.execute("VACUUM INTO ?", (str(copy),))
        check(copy)

    return _put_back(fill, path, at)


def _restore_from(handle: int, backup: Path, path: Path, at: datetime, owner: Owner | None) -> Path | None:
    """Restore from a handle: this thread's user may not be allowed to open the backup."""
    if owner is not None:
        file_lock.refuse_strangers(path, owner)

    def fill(copy: Path) -> None:
        _pour(handle, copy)
        check(copy, backup)

    return _put_back(fill, path, at)


def _put_back(fill: Callable[[Path], None], path: Path, at: datetime) -> Path | None:
    with _told_of(path):
        file_lock.make_folder(path.parent)
    lock = file_lock.Lock(path)
    try:
        with _passing(path) as copy, _told_of(path):
            fill(copy)
            return _swap(copy, path, at)
    finally:
        lock.release()


def _opened(backup: Path) -> int:
    """A handle on a backup. A link at the file's path is followed: its user could read the file that it leads to."""
    try:
        handle = os.open(backup, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except FileNotFoundError:
        raise _no_backup(backup) from None
    except OSError as error:
        raise StoreError(
            f"{backup} cannot be read ({error.strerror}): name a backup that this user may read"
        ) from error
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise _no_backup(backup)
    return handle


def _no_backup(backup: Path) -> StoreMissing:
    return StoreMissing(f"there is no file {backup}: name a backup made by `watchkeeper backup`")


def check(path: Path, called: Path | None = None) -> None:
    """Check that a file is an intact watchkeeper database in a format that this version knows.

    called: the name used in errors. Raises StoreDamaged, StoreTooNew, StoreError.
    """
    called = called or path
    with database.translated(called), closing(_reading(path)) as conn:
        if schema.is_empty(conn):
            raise StoreDamaged(f"{called} holds no database: name a backup made by `watchkeeper backup`")
        if (version := schema.check_ours(conn, called)) == schema.VERSION:
            schema.check_tables(conn, called)
        different = definitions.differences(conn, version)
        found = [text for (text,) in conn.execute(f"PRAGMA integrity_check({MESSAGES})")]
    if found != ["ok"]:
        raise StoreDamaged(f"{called} is damaged ({'; '.join(found)}): it is of no use as a backup")
    if different:
        named = "; ".join(map(str, different[:MESSAGES]))
        raise StoreDamaged(f"{called} was changed by another program ({named}): it is of no use as a backup")


def _reading(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True, isolation_level=None)


def _same(one: Path, other: Path) -> bool:
    return one.exists() and other.exists() and one.samefile(other)


@contextmanager
def _passing(target: Path, refusal: Refusal = file_lock.refusal) -> Iterator[Path]:
    """An empty file beside the target, readable only by its owner, that is removed afterwards in every case.

    refusal: the error where it cannot be made.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
    except OSError as error:
        raise refusal(target, error) from error
    os.close(handle)
    try:
        yield Path(name)
    finally:
        for tail in ("", "-journal", "-wal", "-shm"):
            Path(name + tail).unlink(missing_ok=True)


@contextmanager
def _copying(source: Path, copy: Path) -> Iterator[None]:
    """SQLite's errors as StoreError: what is full is the copy's disk, what is damaged is the source."""
    try:
        yield
    except sqlite3.Error as error:
        found = database.translate_error(error, source)
        raise found if isinstance(found, StoreDamaged) else database.translate_error(error, copy) from error


def _swap(copy: Path, path: Path, at: datetime) -> Path | None:
    aside = path.with_name(f"{path.name}{REPLACED}{at:%Y%m%dT%H%M%SZ}")
    there = path.exists()
    file_lock.set_aside(path, aside)
    file_lock.put_in_place(copy, path)
    return aside if there else None
