"""The state of probes, the reports of jobs and the changes of the host in the database, as the model requires it."""

import json
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Protocol
from uuid import uuid4

from watchkeeper.errors import StoreError
from watchkeeper.model.change import Change
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.model.probe_state import NOTES_LIMIT, JobReport, LastJobReports
from watchkeeper.store.reader import Reader
from watchkeeper.store.replication.cursor import INSTALLATION_OWNER, OWNER, Late
from watchkeeper.store.writer import Writer


class Write(Protocol):
    """Runs work in the thread that writes, in a transaction."""

    def __call__(self, work: Callable[[Writer], Any], *, durable: bool) -> Awaitable[Any]:
        """durable: it must survive a power cut."""
        ...


class Read(Protocol):
    """Runs a query in the thread that reads."""

    def __call__(self, query: Callable[[Reader], Any]) -> Awaitable[Any]:
        """The query's result."""
        ...


class StoredProbeState:
    """One text for each owner. Synced: after a power cut, state about what did not come back matters most."""

    def __init__(self, write: Write, read: Read) -> None:
        self._write, self._read = write, read

    async def read(self, owner: str) -> str:
        """What the owner wrote last; empty where it never did. Raises StoreError."""
        text: str = await self._read(lambda reading: reading.note(owner))
        return text

    async def write(self, owner: str, text: str) -> None:
        """Replace what the owner wrote. Raises StoreError where it is too long or cannot be written."""
        if len(text) > NOTES_LIMIT:
            raise StoreError(f"the state of {owner} has {len(text)} characters: at most {NOTES_LIMIT} are kept")
        await self._write(lambda writing: writing.write_note(owner, text), durable=True)


MAINTENANCE_OWNER = " maintenance"
"""Under this name what is planned is stored, among the states of probes; no probe's name begins with a space."""


def maintenance_text(planned: Iterable[Maintenance]) -> str:
    """What is planned, as text."""
    return json.dumps([[each.subject, each.since.isoformat(), each.until.isoformat(), each.reason] for each in planned])


def maintenance_of(text: str) -> list[Maintenance]:
    """What `maintenance_text` wrote; nothing for no text, or one that cannot be read."""
    try:
        return [
            Maintenance(str(subject), datetime.fromisoformat(since), datetime.fromisoformat(until), str(reason))
            for subject, since, until, reason in json.loads(text or "[]")
        ]
    except (ValueError, TypeError):
        return []


class StoredJobReports:
    """The newest reports of every job. Synced: a job that has reported is not asked again."""

    def __init__(self, write: Write, read: Read) -> None:
        self._write, self._read = write, read

    async def last(self, job: str) -> LastJobReports:
        """A job's newest reports; both None where it never reported. Raises StoreError."""
        found: LastJobReports = await self._read(lambda reading: reading.last_check_ins(job))
        return found

    async def record(self, report: JobReport) -> None:
        """Store a report in place of the previous one with the same result. Raises StoreError."""
        await self._write(lambda writing: writing.write_check_in(report), durable=True)


class StoredChanges:
    """What changed on the host. Synced: what was changed before a power cut may explain it."""

    def __init__(self, write: Write) -> None:
        self._write = write

    async def record(self, changes: Sequence[Change]) -> None:
        """Store these; what is there already is not stored twice. Raises StoreError."""
        if changes:
            await self._write(lambda writing: writing.write_changes(changes), durable=True)


class StoredReplication:
    """How far the database was copied into an archive. Not synced: a cursor that is lost means copying a bit again."""

    def __init__(self, write: Write, read: Read) -> None:
        self._write, self._read = write, read

    async def write(self, cursor: str) -> None:
        """Replace the cursor. Raises StoreError."""
        await self._write(lambda writing: writing.write_note(OWNER, cursor), durable=False)

    async def late_copied(self, copied: Mapping[int, Late]) -> None:
        """Forget late samples that were copied. Raises StoreError."""
        await self._write(lambda writing: writing.late_copied(copied), durable=False)

    async def installation(self) -> str:
        """What tells this database from every other; made at the first call. Raises StoreError."""
        found: str = await self._read(lambda reading: reading.note(INSTALLATION_OWNER))
        if not found:
            found = str(uuid4())
            await self._write(lambda writing: writing.write_note(INSTALLATION_OWNER, found), durable=True)
        return found
