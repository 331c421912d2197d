"""Job reports that other processes leave for the daemon: a folder beside the database, one small file for each.

Only one process writes to the database (file_lock.py), so a command that reports a job leaves a file here, and the
daemon reads it when its probe asks for that job's reports. Nothing is lost while the daemon is down, and what was left
survives a power cut. The folder decides who may leave one: its owner, which is the daemon's user, and root.
"""

import asyncio
import contextlib
import json
import logging
import os
import secrets
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from watchkeeper.clock import Clock
from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.probe_state import JobReport, JobReports, LastJobReports
from watchkeeper.os_errors import exhausted, remedy
from watchkeeper.ownership.file_rights import with_rights_of
from watchkeeper.ownership.folder_owner import owner_of

log = logging.getLogger(__name__)

_CLOCK = Clock()

FOLDER_MODE = 0o700
FILE_MODE = 0o600

MESSAGE_LIMIT = 1_000
"""Characters of a job's own message that are kept; a notification shows about a hundred."""

FILE_LIMIT_BYTES = 16 * 1024
FILES_LIMIT = 1_000
"""Files read in one run; a job that reports more often than a thousand times a minute waits for the next."""

SLOW_S = 60.0
"""The wall clock may drift or be corrected by so much before a report is read; a job's period is far longer."""

Boot = tuple[str, float]

ENDING = ".json"
SPOILT = ".unreadable"


@dataclass(frozen=True, slots=True)
class SpooledReport:
    """A job report that was left, with its file.

    boot: in which boot of the host, and how many seconds after it began; None if the report does not say so.
    """

    path: Path
    report: JobReport
    boot: Boot | None = None

    def dated(self, now: datetime, boot: Boot | None) -> JobReport:
        """The report with the time at which it was left, by a clock that now shows `now`.

        By the wall clock of the process that left it, unless that clock was set since, or jumped. boot: which boot this
        is, and how many seconds ago it began.
        """
        by_wall_s = (now - self.report.at).total_seconds()
        if boot is None or self.boot is None or self.boot[0] != boot[0]:
            return self.report
        age_s = boot[1] - self.boot[1]
        if not boot[0] or age_s < 0 or abs(by_wall_s - age_s) <= SLOW_S:
            return self.report
        return replace(self.report, at=now - timedelta(seconds=age_s))


def spool_of(database: Path) -> Path:
    """Where job reports for a database are left."""
    return database.with_name(database.name + ".jobs")


def earlier_spool_of(database: Path) -> Path:
    """Where 0.1.0 left them: a report may have arrived while the daemon was stopped for the upgrade."""
    return database.with_name(database.name + ".checkins")


def leave(folder: Path, report: JobReport, *, past: bool = False) -> None:
    """Leave a job report, complete or not at all, and safe from a power cut.

    past: its time was given by somebody, and is not the time at which it is left.

    Root does it with the rights of the owner of the database's folder, so that the daemon may read and delete the file,
    and root is redirected nowhere else. Everything is done through the open folder. Raises StoreError that says what to
    do, and StartError where another user could redirect root on the way to the folder.
    """
    with_rights_of(owner_of(folder.parent), lambda: _leave(folder, report, past))


def _leave(folder: Path, report: JobReport, past: bool) -> None:  # noqa: FBT001
    name = f"{int(report.at.timestamp() * 1e6):020d}-{os.getpid()}-{secrets.token_hex(4)}{ENDING}"
    try:
        with _opened(folder) as handle:
            _put(handle, name, _text(report, past).encode("ascii"))
    except OSError as error:
        raise StoreError(
            f"the report cannot be written to {folder} ({error.strerror}): "
            + remedy(error, "run this as root or as the user that runs watchkeeper, and check the free space")
        ) from error


@contextlib.contextmanager
def _opened(folder: Path) -> Iterator[int]:
    """The folder; created where it is missing."""
    with contextlib.suppress(FileExistsError):
        folder.mkdir(mode=FOLDER_MODE)
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        yield handle
    finally:
        os.close(handle)


def _put(folder: int, name: str, raw: bytes) -> None:
    """Write under a hidden name, and rename the file once it is on the disk."""
    hidden = f".{name}"
    handle = os.open(hidden, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FILE_MODE, dir_fd=folder)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
        os.rename(hidden, name, src_dir_fd=folder, dst_dir_fd=folder)
        os.fsync(folder)
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(hidden, dir_fd=folder)
        raise


def _text(report: JobReport, past: bool) -> str:  # noqa: FBT001
    message, (boot, boot_s) = report.message[:MESSAGE_LIMIT], _CLOCK.boot()
    fields = {"job": report.job, "at": report.at.isoformat(), "failed": report.failed, "message": message}
    return json.dumps(fields if past else {**fields, "boot": boot, "boot_s": boot_s})


def read(folder: Path) -> list[SpooledReport]:
    """The reports that were left, oldest first. A file that is not a report is renamed and logged."""
    try:
        names = sorted(
            path.name for path in folder.iterdir() if path.suffix == ENDING and not path.name.startswith(".")
        )
    except FileNotFoundError:
        return []
    found = []
    for name in names[:FILES_LIMIT]:
        path = folder / name
        try:
            text = _read(path)
            found.append(SpooledReport(path, _understand(text), _boot(text)))
        except FileNotFoundError:
            continue
        except (OSError, ValueError) as error:
            if exhausted(error):  # this is no fault of the file, which stays for the next time
                raise
            _set_aside(path, error)
    return found


def _read(path: Path) -> str:
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise ValueError("not a regular file")
        raw = file.read(FILE_LIMIT_BYTES + 1)
    if len(raw) > FILE_LIMIT_BYTES:
        raise ValueError(f"longer than {FILE_LIMIT_BYTES} bytes")
    return raw.decode("utf-8")


def _understand(text: str) -> JobReport:
    """Parse a report. Raises ValueError if the text is not one. 0.1.0 wrote the message as `said`."""
    try:
        fields = json.loads(text)
        message = fields["message"] if "message" in fields else fields["said"]
        job, at, failed = (fields[name] for name in ("job", "at", "failed"))
        instant = datetime.fromisoformat(at)
        in_utc = instant.astimezone(UTC)
    except (KeyError, TypeError, RecursionError, OverflowError) as error:
        raise ValueError(f"not a job report ({type(error).__name__}: {error})") from error
    if not (isinstance(job, str) and isinstance(failed, bool) and isinstance(message, str)) or instant.tzinfo is None:
        raise ValueError("not a job report")
    return JobReport(job, in_utc, failed, message[:MESSAGE_LIMIT])


def _boot(text: str) -> Boot | None:
    """The boot in a report; None if it names none, as one of 0.1.0."""
    fields = json.loads(text)
    boot, boot_s = fields.get("boot"), fields.get("boot_s")
    return (boot, float(boot_s)) if isinstance(boot, str) and isinstance(boot_s, (int, float)) else None


def _set_aside(path: Path, error: Exception) -> None:
    log.warning(
        "%s cannot be read as a job report and was renamed to end in %s: %s",
        path,
        SPOILT,
        error,
        extra=about(Event.JOB_REPORT),
    )
    with contextlib.suppress(OSError):
        path.rename(path.with_name(path.name + SPOILT))


def take_away(paths: Iterable[Path]) -> None:
    """Delete files whose reports are in the database. One that cannot be deleted is read again, to no effect."""
    for path in paths:
        with contextlib.suppress(OSError):
            path.unlink()


class SpooledJobReports:
    """The job reports of a store; reports that other processes have left are read first."""

    def __init__(
        self,
        kept: JobReports,
        folder: Path,
        now: Callable[[], datetime],
        earlier: Path | None = None,
        boot: Callable[[], Boot] | None = None,
    ) -> None:
        """earlier: the folder of an earlier version. It is read until it is empty, because nothing writes there.

        boot: as Clock.boot; dates reports that were left while the wall clock of the host could not be believed.
        """
        self._kept, self._now, self._boot = kept, now, boot
        self._folders = [folder] if earlier is None else [earlier, folder]
        self._taking = asyncio.Lock()

    async def last(self, job: str) -> LastJobReports:
        """A job's newest reports. Raises StoreError where spooled reports cannot be read; they stay where they are."""
        await self._take_in()
        return await self._kept.last(job)

    async def record(self, report: JobReport) -> None:
        """Store a report that arrived another way."""
        await self._kept.record(report)

    async def _take_in(self) -> None:
        async with self._taking:
            left = [each for folder in self._folders for each in await _left(folder)]
            now, boot = self._now(), None if self._boot is None else self._boot()
            for report in newest(each.dated(now, boot) for each in left):
                await self._record(report)
            if left:
                await asyncio.to_thread(partial(take_away, [each.path for each in left]))
            else:
                await self._drop_earlier()

    async def _drop_earlier(self) -> None:
        """Remove the folder of an earlier version, unless it holds files that could not be read."""
        *earlier, current = self._folders
        self._folders = [current]
        for folder in earlier:
            with contextlib.suppress(OSError):
                await asyncio.to_thread(folder.rmdir)

    async def _record(self, report: JobReport) -> None:
        """Store a report, never over a newer one, and never with a future time: the clock may have been set back."""
        at = min(report.at, self._now())
        known = await self._kept.last(report.job)
        before = known.failed if report.failed else known.good
        if before is None or before.at < at:
            await self._kept.record(replace(report, at=at))


async def _left(folder: Path) -> list[SpooledReport]:
    """The reports in a folder. Raises StoreError that says what to do."""
    try:
        return await asyncio.to_thread(read, folder)
    except OSError as error:
        why = remedy(error, "give it back to the user that runs watchkeeper")
        raise StoreError(f"{folder} cannot be read ({error.strerror}): {why}") from error


def newest(reports: Iterable[JobReport]) -> Sequence[JobReport]:
    """The newest report of each result of each job: earlier ones would be overwritten at once."""
    found: dict[tuple[str, bool], JobReport] = {}
    for each in reports:
        key = (each.job, each.failed)
        if key not in found or found[key].at <= each.at:
            found[key] = each
    return list(found.values())
