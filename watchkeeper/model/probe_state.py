"""State that survives a restart for probes: their own notes, and the reports of jobs.

A store keeps both; probes see only these protocols. Not here: the content of a probe's notes (that is the probe's own),
and how a job report arrives (by the page or by a command).
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

NOTES_LIMIT = 256 * 1024
"""Characters of one owner's notes. A list of a thousand names fits; a probe keeps what it must know, not a history."""


class StateStore(Protocol):
    """One text for each owner, kept across restarts of the daemon and of the host. The owner is a probe's label."""

    async def read(self, owner: str) -> str:
        """What the owner wrote last; empty if it never did."""
        ...

    async def write(self, owner: str, text: str) -> None:
        """Replace what the owner wrote. Raises StoreError if it cannot be stored."""
        ...


@dataclass(frozen=True, slots=True)
class JobReport:
    """A job reported that it ran. failed: the run did not succeed. message: the job's own text, one line."""

    job: str
    at: datetime
    failed: bool = False
    message: str = ""


@dataclass(frozen=True, slots=True)
class LastJobReports:
    """A job's newest successful and failed reports; None if there was none."""

    good: JobReport | None = None
    failed: JobReport | None = None


def restore_of(name: str) -> str:
    """The job by which a restore of a backup is reported. No probe of a job has such a name: it has spaces."""
    return f"restore of {name}"


class JobReports(Protocol):
    """The newest reports of every job."""

    async def last(self, job: str) -> LastJobReports:
        """A job's newest reports; both None if it never reported."""
        ...

    async def record(self, report: JobReport) -> None:
        """Keep a report in place of the previous one of the same outcome. Raises StoreError if it cannot be stored."""
        ...


class MemoryStateStore:
    """Notes in memory: for tests, and for a single run that leaves nothing behind."""

    def __init__(self) -> None:
        self._texts: dict[str, str] = {}

    async def read(self, owner: str) -> str:
        """What the owner wrote last."""
        return self._texts.get(owner, "")

    async def write(self, owner: str, text: str) -> None:
        """Replace what the owner wrote."""
        self._texts[owner] = text


class MemoryJobReports:
    """Job reports in memory: for tests, and for a single run."""

    def __init__(self) -> None:
        self._good: dict[str, JobReport] = {}
        self._failed: dict[str, JobReport] = {}

    async def last(self, job: str) -> LastJobReports:
        """A job's newest reports."""
        return LastJobReports(self._good.get(job), self._failed.get(job))

    async def record(self, report: JobReport) -> None:
        """Keep a report in place of the previous one of the same outcome."""
        (self._failed if report.failed else self._good)[report.job] = report
