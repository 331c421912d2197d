"""Lists snapshots that are files: backups, exported images. Not here: what their ages mean (snapshot_ages.py)."""

import glob
import os
import stat
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from watchkeeper.config.types import Duration, ProbeSettings, Size, absolute_pattern
from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Facts, Observed
from watchkeeper.probes.base import BackupSet, BaseProbe, Listed, ProbeContext
from watchkeeper.probes.storage.snapshot_ages import AgeLimits, Snapshot, observe_ages
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.verification.proven_restore import RESTORE_WITHIN, RestoreWithin, observe_restores

FILES_LIMIT = 20_000
"""More files than this are not a set of snapshots but a glob that is too wide; reading them all would take seconds."""

AHEAD_S = 120.0
"""How far a file's time may be ahead of the clock and be trusted: another machine wrote it, with its own clock."""


Pattern = Annotated[str, AfterValidator(absolute_pattern("/srv/backup/*.img"))]
"""A folder (the files directly in it), a file, or a glob of files; `**` matches any depth of folders."""


class SnapshotsSettings(ProbeSettings):
    """Snapshots or backups that are files: age of the newest and the oldest."""

    kind: Literal["snapshots"] = "snapshots"
    name: str = Field(min_length=1, description="what they are snapshots of, such as hide-hub")
    every: Duration = Field(300.0, description="time between runs")
    timeout: Duration = Field(30.0, description="time after which a run is abandoned")
    files: tuple[Pattern, ...] = Field(
        min_length=1, description="folders, or globs of files, as absolute paths; ** matches any number of folders"
    )
    ignore: tuple[str, ...] = Field(
        ("*.part", "*.tmp"), description="names of incomplete files, which are not counted; globs"
    )
    max_age: Duration = Field(description="maximum time from one snapshot to the next")
    backup_of: tuple[str, ...] = Field(
        (),
        description='guests that these files are backups of; "*" for all. `preflight` asks for one before a change. '
        "Stores and volumes of containers by what they are: `pool skerry`, `volume hide-hub-data`, `folder /srv/tides`",
    )
    min_size: Size | None = Field(None, description="smaller files are not counted, as they are incomplete")
    oldest_limit: Duration | None = Field(
        None, description="maximum age of the oldest snapshot; by default there is no limit"
    )
    restore_within: RestoreWithin = RESTORE_WITHIN
    check_content: bool = Field(
        True, description="whether the daemon reads the newest file whole, once a week, to see whether it is damaged"
    )


def list_files(patterns: Sequence[str], ignore: Sequence[str]) -> list[Listed]:
    """The regular files that the patterns match, each once. A symbolic link does not count as a file.

    Raises PrivilegeMissing if a folder may not be read (a glob would skip it silently), ProbeError if there are too
    many files.
    """
    found: dict[str, Listed] = {}
    for path in (path for pattern in patterns for path in _expand(pattern)):
        if any(fnmatchcase(os.path.basename(path), part) for part in ignore):  # noqa: PTH119  a Path of each costs more
            continue
        try:
            status = os.lstat(path)
        except OSError:
            continue  # It disappeared meanwhile: rotated, or renamed into place.
        if stat.S_ISREG(status.st_mode):
            found[path] = Listed(path, status.st_mtime, status.st_ctime, status.st_size)
        if len(found) > FILES_LIMIT:
            raise ProbeError(f"{', '.join(patterns)} matches more than {FILES_LIMIT} files; use a narrower pattern")
    return list(found.values())


def _expand(pattern: str) -> Iterator[str]:
    _check_readable(pattern)
    if not glob.has_magic(pattern) and Path(pattern).is_dir():
        pattern = f"{glob.escape(pattern.rstrip('/'))}/*"
    yield from glob.iglob(pattern, recursive=True, include_hidden=True)  # noqa: PTH207  Path has no include_hidden


def _check_readable(pattern: str) -> None:
    """Check that the folder above the first wildcard is readable, or does not exist."""
    fixed = Path(pattern)
    while glob.has_magic(str(fixed)):
        fixed = fixed.parent
    try:
        if stat.S_ISDIR(fixed.stat().st_mode):
            os.scandir(fixed).close()
    except PermissionError as error:
        raise PrivilegeMissing(f"this user may not read {fixed}; give it read access to that folder") from error
    except OSError:
        return  # It does not exist: then nothing matches, and that is reported.


class SnapshotsProbe(BaseProbe):
    """Monitors one set of snapshot files."""

    def __init__(self, settings: SnapshotsSettings, bench: ProbeContext) -> None:
        self._settings = settings
        self._bench = bench
        self._first_seen_s: dict[tuple[str, float], float] = {}

    async def observe(self) -> Sequence[Observed]:
        """List the files, outside the event loop: their file system may hang. Their content is read meanwhile."""
        settings = self._settings
        work = partial(list_files, settings.files, settings.ignore)
        files = await self._bench.workers.call(f"snapshots of {settings.name}", work, settings.timeout)
        now = self._bench.clock.now()
        large = [file for file in files if file.size_bytes >= (settings.min_size or 0)]
        made_s, ahead = self._made(large, now.timestamp())
        snapshots = [
            Snapshot(_file_name(file), datetime.fromtimestamp(at_s, UTC), file.size_bytes)
            for file, at_s in zip(large, made_s, strict=True)
        ]
        limits = AgeLimits(settings.max_age, settings.oldest_limit)
        restores, tried = await observe_restores(
            self._bench.job_reports, settings.name, f"snapshots of {settings.name}", settings.restore_within
        )
        facts = self._facts(len(files) - len(large), ahead) + restores
        ages = observe_ages(settings.name, snapshots, now, limits, facts)
        return [*ages, *tried, *await self._content(large)]

    async def close(self) -> None:
        """End the reading of a file of this set."""
        if self._bench.verification is not None:
            await self._bench.verification.release(self._bench, self._settings.label)

    async def _content(self, files: Sequence[Listed]) -> Sequence[Observed]:
        """Whether the newest files are damaged; nothing where they are not read."""
        settings, verification = self._settings, self._bench.verification
        if verification is None or not settings.check_content:
            return ()
        backups = BackupSet(settings.label, settings.name, settings.max_age, settings.backup_of)
        return await verification.look(self._bench, backups, files)

    def _made(self, files: Sequence[Listed], now_s: float) -> tuple[list[float], int]:
        """When each file was made, never in the future, and how many files are dated in the future.

        A file dated in the future would be the newest until that date has passed, and hide that no new one was made.
        The inode's change time is used instead or, if that is in the future too, the time when it was first seen here.
        """
        made: list[float] = []
        seen: dict[tuple[str, float], float] = {}
        for file in files:
            at_s = file.written_s if file.written_s <= now_s + AHEAD_S else file.changed_s
            if at_s > now_s + AHEAD_S:
                key = (file.path, file.written_s)
                at_s = seen[key] = min(self._first_seen_s.get(key, now_s), now_s)
            made.append(max(min(at_s, now_s), 0.0))  # Before 1970: a clock that was never set.
        self._first_seen_s = seen
        return made, sum(file.written_s > now_s + AHEAD_S for file in files)

    def _facts(self, small: int, ahead: int) -> Facts:
        facts: Facts = (("files", ", ".join(self._settings.files)),)
        if small:
            facts += (("ignored because too small", str(small)),)
        if ahead:
            facts += (("dated in the future", f"{ahead}; check the clock of the machine that writes them"),)
        return facts


def _file_name(file: Listed) -> str:
    return printable(os.path.basename(file.path))  # noqa: PTH119  a Path of each costs more
