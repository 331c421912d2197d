"""Backups: a copy of the database made while the daemon writes, and one put back in the database's place.

A copy is made under a passing name, checked, synced, and only then given its own, so that a power cut or a full disk
never leaves half of one under the name that will be relied upon. Not here: what the commands say (cli/).
"""

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path
from urllib.parse import quote

from watchkeeper.errors import StoreDamaged, StoreError
from watchkeeper.store import database, definitions, files, schema

REPLACED = ".replaced-"
"""Between the database's name and the instant, in the name of one in whose place a backup was put."""

MESSAGES = 3
"""Of what SQLite finds wrong with a file, so many are told."""


def back_up(source: Path, target: Path, *, replace: bool) -> int:
    """Copy the database to a file, as it is at this moment. Returns the copy's bytes.

    replace: a file that is there already. Raises StoreError where there is one and it is not to be replaced, where
    there is no database, or where the target cannot be written; StoreFull; StoreDamaged where the database is.
    """
    if target.exists() and (_same(source, target) or target.is_dir()):
        raise StoreError(f"{target} is {'a folder' if target.is_dir() else 'the database itself'}: name another file")
    if target.exists() and not replace:
        raise StoreError(f"{target} is there already: name another file, or replace it with --force")
    with _passing(target) as copy:
        with closing(database.open_reading(source)) as conn, _copying(source, copy):
            conn.execute("VACUUM INTO ?", (str(copy),))
        check(copy)
        files.put_in_place(copy, target)
    return target.stat().st_size


def restore(backup: Path, path: Path, at: datetime) -> Path | None:
    """Put a backup in the database's place. Returns the name under which the database that was there is kept.

    Raises StoreError and its kinds where the backup is no sound database of ours, StartError where a daemon holds the
    database; nothing is changed then.
    """
    if not backup.is_file():
        raise StoreError(f"there is no file {backup}: name a backup made by `watchkeeper backup`")
    if _same(backup, path):
        raise StoreError(f"{backup} is the database itself: name a backup")
    check(backup)
    files.make_folder(path.parent)
    lock = files.Lock(path)
    try:
        with _passing(path) as copy:
            with closing(_reading(backup)) as conn, _copying(backup, copy):
                conn.execute("VACUUM INTO ?", (str(copy),))
            check(copy)
            _give_to_owner(copy, path)
            return _swap(copy, path, at)
    finally:
        lock.release()


def check(path: Path) -> None:
    """Make sure that a file is a database of ours, of a form that this version knows, and sound.

    Raises StoreDamaged, StoreTooNew, StoreError.
    """
    with database.translated(path), closing(_reading(path)) as conn:
        if schema.is_empty(conn):
            raise StoreDamaged(f"{path} holds no database: name a backup made by `watchkeeper backup`")
        if (version := schema.check_ours(conn, path)) == schema.VERSION:
            schema.check_tables(conn, path)
        different = definitions.differences(conn, version)
        found = [text for (text,) in conn.execute(f"PRAGMA integrity_check({MESSAGES})")]
    if found != ["ok"]:
        raise StoreDamaged(f"{path} is damaged ({'; '.join(found)}): it is of no use as a backup")
    if different:
        named = "; ".join(map(str, different[:MESSAGES]))
        raise StoreDamaged(f"{path} was changed by another program ({named}): it is of no use as a backup")


def _reading(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True, isolation_level=None)


def _same(one: Path, other: Path) -> bool:
    return one.exists() and other.exists() and one.samefile(other)


@contextmanager
def _passing(target: Path) -> Iterator[Path]:
    """An empty file beside the target, only for its owner, that is gone afterwards whatever happens."""
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
    except OSError as error:
        raise files.refusal(target, error) from error
    os.close(handle)
    try:
        yield Path(name)
    finally:
        for tail in ("", "-journal", "-wal", "-shm"):
            Path(name + tail).unlink(missing_ok=True)


@contextmanager
def _copying(source: Path, copy: Path) -> Iterator[None]:
    """SQLite's errors in our words: what is full is the copy's disk, what is damaged the source."""
    try:
        yield
    except sqlite3.Error as error:
        found = database.in_our_words(error, source)
        raise found if isinstance(found, StoreDamaged) else database.in_our_words(error, copy) from error


def _swap(copy: Path, path: Path, at: datetime) -> Path | None:
    aside = path.with_name(f"{path.name}{REPLACED}{at:%Y%m%dT%H%M%SZ}")
    there = path.exists()
    files.set_aside(path, aside)
    files.put_in_place(copy, path)
    return aside if there else None


def _give_to_owner(copy: Path, path: Path) -> None:
    """As root: give what is put there to the owner of the database or its folder, or the daemon cannot open it."""
    if os.geteuid() != 0:
        return
    owner = (path if path.exists() else path.parent).stat()
    for each in (copy, path.with_name(f"{path.name}.lock")):
        shutil.chown(each, owner.st_uid, owner.st_gid)
