"""`restored` leaves a report that the daemon's probe reads, and refuses what nobody would notice."""

import asyncio
from datetime import timedelta
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.support.clocks import HandClock
from tests.support.readstore import NOW
from watchkeeper.model.observation import Condition, Deadline, SeriesKey
from watchkeeper.model.probe_state import JobReport, LastJobReports, restore_of
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services.job import JobProbe, JobSettings
from watchkeeper.probes.storage.snapshot_files import SnapshotsProbe, SnapshotsSettings
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.store import Store
from watchkeeper.store.files.job_spool import SpooledJobReports, read, spool_of

PROBES = """[[probe]]
kind = "job"
name = "nightly-backup"
within = "26h"
backup_of = ["hide-hub", "tide-log"]

[[probe]]
kind = "snapshots"
name = "ringing-db"
files = ["/srv/backup/ringing-db/*.gz"]
max_age = "26h"
backup_of = ["ringing-db", "tide-log"]
"""


@pytest.fixture
def database(config: Path, tmp_path: Path) -> Path:
    """A configuration with two backups, and its database."""

    async def write() -> None:
        async with await Store.open(tmp_path / "watchkeeper.db"):
            pass

    config.write_text(config.read_text() + PROBES)
    asyncio.run(write())
    return tmp_path / "watchkeeper.db"


def last(database: Path, name: str) -> LastJobReports:
    """What the daemon knows of it."""

    async def ask() -> LastJobReports:
        async with await Store.open(database) as store:
            kept = SpooledJobReports(store.job_reports, spool_of(database), lambda: NOW, boot=lambda: ("boot", 9e9))
            return await kept.last(restore_of(name))

    return asyncio.run(ask())


def test_it_reaches_the_store_with_the_time_that_was_given(run: Run, database: Path) -> None:
    """Also long before the host was started, and by the name of the guest."""
    done = run("restored", "hide-hub", "--at", "2026-11-12", "--note", "into a spare disk;\nit booted")
    assert done.exit_code == 0, done.output
    assert "Reported that a restore of nightly-backup succeeded" in done.output
    found = last(database, "nightly-backup").good
    assert found is not None
    assert (f"{found.at:%Y-%m-%d}", found.message) == ("2026-11-12", "into a spare disk; it booted")
    assert run("restored", "ringing-db", "--failed").exit_code == 0
    assert last(database, "ringing-db") == LastJobReports(None, JobReport(restore_of("ringing-db"), NOW, failed=True))


@pytest.mark.parametrize(
    ("argv", "said"),
    [
        (("ringing",), 'did you mean "ringing-db"?'),
        (("x",), "known: nightly-backup, ringing-db"),
        (("tide-log",), 'guest "tide-log" has several backups; name one: nightly-backup, ringing-db'),
        (("ringing-db", "--at", "2030-01-01"), "the time of a restore is in the past"),
    ],
)
def test_what_nobody_would_notice_is_refused(run: Run, database: Path, argv: tuple[str, ...], said: str) -> None:
    """A wrong name or time, with the remedy."""
    done = run("restored", *argv)
    assert done.exit_code == 64
    assert said in " ".join(done.output.split())
    assert not read(spool_of(database))


async def test_the_probes_report_it(workers: ThreadWorkers, tmp_path: Path) -> None:
    """As a fact without a limit, as a deadline with one, and a failed one as a condition."""
    context = ProbeContext(HandClock(NOW), workers)
    (tmp_path / "1.gz").write_bytes(b"copy")
    files = {"name": "ringing-db", "files": [f"{tmp_path}/*"], "max_age": "2d"}
    job = JobProbe(JobSettings.model_validate({"name": "nightly", "within": "26h", "restore_within": "180d"}), context)
    seen = {each.key: each for each in await job.observe()}
    due = seen[SeriesKey("job nightly", "proven restore")]
    assert isinstance(due, Deadline)
    assert (due.due_at, due.last_at) == (None, None)
    for name in ("ringing-db", "nightly"):
        await context.job_reports.record(JobReport(restore_of(name), NOW - timedelta(days=30), message="it booted"))
    newest, restore = await SnapshotsProbe(SnapshotsSettings.model_validate(files), context).observe()
    assert isinstance(newest, Deadline)
    assert ("last proven restore", "2026-10-26 (it booted)") in newest.facts
    assert isinstance(restore, Condition)
    assert restore.ok
    seen = {each.key: each for each in await job.observe()}
    due = seen[SeriesKey("job nightly", "proven restore")]
    assert isinstance(due, Deadline)
    assert due.due_at == NOW + timedelta(days=150)
    await context.job_reports.record(JobReport(restore_of("nightly"), NOW, failed=True))
    failed = {each.key: each for each in await job.observe()}[SeriesKey("job nightly", "restore")]
    assert isinstance(failed, Condition)
    assert failed.reason == "the restore of 2026-11-25 failed"
