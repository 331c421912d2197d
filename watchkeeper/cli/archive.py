"""One archive with everything that belongs to a host's watchkeeper: database, what lies beside it, configuration.

A tar archive, readable by its owner alone, because secrets are in it. Not here: the copy of the database
(store/files/backup.py), and what a command prints.
"""

import io
import os
import stat
import tarfile
import tempfile
from collections.abc import Iterator
from pathlib import Path

from pydantic import BaseModel

from watchkeeper.config.loading import Loaded
from watchkeeper.config.types import SecretSource
from watchkeeper.errors import OutputError
from watchkeeper.ownership.file_rights import with_rights_of
from watchkeeper.ownership.folder_owner import owner_of, real_file
from watchkeeper.settings import Settings
from watchkeeper.store.files.backup import back_up
from watchkeeper.store.files.job_spool import spool_of

KEYS = ("*.key",)
"""Beside the database: the keys that sign links in messages and recognise browsers."""
LARGEST = 2**20
"""Bytes of a file besides the database; secrets and configurations are far smaller."""
STATE, CONFIGURATION = "state", "configuration"
"""The two folders in the archive."""


def pack(loaded: Loaded[Settings], database: Path, target: Path, *, replace: bool) -> list[str]:
    """Write the archive; return the names in it. Raises OutputError, and what the copy of the database raises."""
    if target.exists() and not replace:
        raise OutputError(f"{target} exists: name another file, or replace it with --force")
    database = real_file(database)
    with tempfile.TemporaryDirectory(prefix="watchkeeper-") as place:
        copy = Path(place) / "watchkeeper.db"
        back_up(database, copy, replace=False)
        try:
            return _write(loaded, database, copy, target)
        except OSError as error:
            raise OutputError(f"{target} cannot be written: {error.strerror}; name a file that can be") from error


def _write(loaded: Loaded[Settings], database: Path, copy: Path, target: Path) -> list[str]:
    part = target.with_name(f".{target.name}.part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600)
    try:
        with os.fdopen(handle, "wb") as file:
            with tarfile.open(fileobj=file, mode="w") as archive:
                archive.add(copy, f"{STATE}/{database.name}", recursive=False, filter=_private)
                for name, content in (*_beside(database), *_configuration(loaded)):
                    _add(archive, name, content)
                names = archive.getnames()
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
    return names


def _private(entry: tarfile.TarInfo) -> tarfile.TarInfo:
    entry.mode, entry.uid, entry.gid, entry.uname, entry.gname = 0o600, 0, 0, "", ""
    return entry


def _add(archive: tarfile.TarFile, name: str, content: bytes) -> None:
    entry = tarfile.TarInfo(name)
    entry.size, entry.mode = len(content), 0o600
    archive.addfile(entry, io.BytesIO(content))


def _beside(database: Path) -> Iterator[tuple[str, bytes]]:
    """What lies beside the database, read with the rights of its owner: keys, and reports that were not read yet."""
    folder, spool = database.parent, spool_of(database)

    def found() -> list[tuple[str, bytes]]:
        files = [*(path for each in KEYS for path in sorted(folder.glob(each))), *sorted(spool.glob("*"))]
        read = ((path, _content(path)) for path in files)
        return [(f"{STATE}/{path.relative_to(folder)}", content) for path, content in read if content is not None]

    yield from with_rights_of(owner_of(folder), found)


def _configuration(loaded: Loaded[Settings]) -> Iterator[tuple[str, bytes]]:
    """The configuration, and every file with a secret that it names, under their whole paths."""
    paths = [loaded.path.resolve()] if loaded.path else []
    paths += sorted({each.resolve() for each in _secrets(loaded.settings)})
    for path in dict.fromkeys(paths):
        if (content := _content(path)) is not None:
            yield f"{CONFIGURATION}{path}", content


def _secrets(value: object) -> Iterator[Path]:
    """The files that secrets are read from, anywhere in the settings."""
    if isinstance(value, SecretSource):
        if value.file is not None:
            yield value.file
    elif isinstance(value, BaseModel):
        for name in type(value).model_fields:
            yield from _secrets(getattr(value, name))
    elif isinstance(value, dict):
        for each in value.values():
            yield from _secrets(each)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from _secrets(each)


def _content(path: Path) -> bytes | None:
    """A small regular file; None for anything else."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return None
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            return None
        content = file.read(LARGEST + 1)
    return content if len(content) <= LARGEST else None
