"""What outlives a restart for the sake of probes: their own notes, and the check-ins of jobs.

A store keeps both; probes see only these protocols. Not here: what a probe writes into its notes (that is its own), and
how a check-in comes in (the page's and the command's part).
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

NOTES_LIMIT = 256 * 1024
"""Characters of one owner's notes. A list of a thousand names fits; a probe keeps what it must know, not a history."""


class StateStore(Protocol):
    """One text for each owner, kept across restarts of the daemon and of the host. The owner is a probe's label."""

    async def read(self, owner: str) -> str:
        """What the owner wrote last; empty where it never did."""
        ...

    async def write(self, owner: str, text: str) -> None:
        """Replace what the owner wrote. Raises StoreError where it cannot be kept."""
        ...


@dataclass(frozen=True, slots=True)
class JobReport:
    """A job has reported that it ran. failed: it says that it did not succeed. said: in its own words, one line."""

    job: str
    at: datetime
    failed: bool = False
    said: str = ""


@dataclass(frozen=True, slots=True)
class LastJobReports:
    """A job's newest check-in of each sort; None where there was none."""

    good: JobReport | None = None
    failed: JobReport | None = None


class JobReports(Protocol):
    """The newest check-ins of every job."""

    async def last(self, job: str) -> LastJobReports:
        """A job's newest check-ins; both None where it never checked in."""
        ...

    async def record(self, check_in: JobReport) -> None:
        """Keep a check-in in place of the one of its sort before it. Raises StoreError where it cannot be kept."""
        ...


class MemoryStateStore:
    """Notes in memory: for tests, and for a single look that leaves nothing behind."""

    def __init__(self) -> None:
        self._texts: dict[str, str] = {}

    async def read(self, owner: str) -> str:
        """What the owner wrote last."""
        return self._texts.get(owner, "")

    async def write(self, owner: str, text: str) -> None:
        """Replace what the owner wrote."""
        self._texts[owner] = text


class MemoryJobReports:
    """Check-ins in memory: for tests, and for a single look."""

    def __init__(self) -> None:
        self._good: dict[str, JobReport] = {}
        self._failed: dict[str, JobReport] = {}

    async def last(self, job: str) -> LastJobReports:
        """A job's newest check-ins."""
        return LastJobReports(self._good.get(job), self._failed.get(job))

    async def record(self, check_in: JobReport) -> None:
        """Keep a check-in in place of the one of its sort before it."""
        (self._failed if check_in.failed else self._good)[check_in.job] = check_in
