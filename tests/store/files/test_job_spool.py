"""Reports that other processes leave: complete or absent, read by the daemon's user, and recorded once."""

import asyncio
import json
import logging
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.clock import Clock
from watchkeeper.errors import StoreError
from watchkeeper.model.probe_state import JobReport, LastJobReports, MemoryJobReports
from watchkeeper.store import Store
from watchkeeper.store.files import job_spool
from watchkeeper.store.files.job_spool import SpooledJobReports, earlier_spool_of, leave, newest, read, spool_of

AT = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
JOB = "nightly-backup"


def later() -> datetime:
    """The daemon's clock, an hour after the reports."""
    return AT + timedelta(hours=1)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The spool folder, beside a database that does not exist yet."""
    return spool_of(tmp_path / "watchkeeper.db")


def test_what_is_left_is_read(folder: Path) -> None:
    """In time order, with the job's own text, whatever it contains."""
    late = JobReport(JOB, AT + timedelta(seconds=1), message='two "lines"\n\udcff')
    early = JobReport("tide-log", AT, failed=True)
    leave(folder, late)
    leave(folder, early)
    assert [each.report for each in read(folder)] == [early, late]


def test_only_the_daemons_user_may_look(folder: Path) -> None:
    """It owns the folder and the files."""
    leave(folder, JobReport(JOB, AT))
    (file,) = folder.iterdir()
    assert (folder.stat().st_mode & 0o777, file.stat().st_mode & 0o777) == (0o700, 0o600)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_roots_report_belongs_to_the_daemons_user(tmp_path: Path) -> None:
    """A backup that runs as root leaves a file that the daemon may read and delete; the folder remains the daemon's."""
    home = tmp_path / "state"
    home.mkdir()
    os.chown(home, 12345, 12346)
    folder = spool_of(home / "watchkeeper.db")
    leave(folder, JobReport(JOB, AT))
    leave(folder, JobReport(JOB, AT))
    for path in (folder, *folder.iterdir()):
        assert (path.stat().st_uid, path.stat().st_gid) == (12345, 12346)


def test_a_link_in_the_folders_place_is_not_followed(folder: Path, tmp_path: Path) -> None:
    """Otherwise the owner of the state folder could make root write elsewhere."""
    (tmp_path / "elsewhere").mkdir()
    folder.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(StoreError, match="cannot be written to"):
        leave(folder, JobReport(JOB, AT))
    assert not [*(tmp_path / "elsewhere").iterdir()]


def test_without_room_nothing_is_left_half(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The error states the remedy, and no partial file is left."""

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match=r"No space left on device.*check the free space"):
        leave(folder, JobReport(JOB, AT))
    assert not [*folder.iterdir()]


def test_a_process_that_is_killed_while_it_writes_leaves_nothing_to_read(folder: Path) -> None:
    """A file that does not have its final name yet is not read."""
    folder.mkdir()
    (folder / f".{AT.timestamp():.0f}-1-aa.json").write_text('{"job": "nightly')
    assert read(folder) == []


GOOD = {"job": JOB, "at": AT.isoformat(), "failed": False, "message": ""}


@pytest.mark.parametrize(
    "text",
    [
        "no JSON",
        "[]",
        "{}",
        "[" * 5_000,
        json.dumps({**GOOD, "at": "yesterday"}),
        json.dumps({**GOOD, "at": "2026-11-25T08:00:00"}),
        json.dumps({**GOOD, "at": "0001-01-01T00:00:00+14:00"}),  # before the year 1 in UTC
        json.dumps({**GOOD, "at": 5}),
        json.dumps({**GOOD, "failed": 1}),
        json.dumps({**GOOD, "message": "x" * 20_000}),
    ],
)
def test_what_is_no_report_is_set_aside(folder: Path, text: str, caplog: pytest.LogCaptureFixture) -> None:
    """It is reported once, kept under another name, and does not block others."""
    folder.mkdir()
    (folder / "0-spoilt.json").write_text(text)
    leave(folder, JobReport(JOB, AT))
    with caplog.at_level(logging.WARNING):
        assert [each.report.job for each in read(folder)] == [JOB]
    assert "cannot be read as a job report" in caplog.text
    assert (folder / "0-spoilt.json.unreadable").exists()
    caplog.clear()
    assert len(read(folder)) == 1
    assert not caplog.text


def test_what_is_no_file_is_set_aside(folder: Path, tmp_path: Path) -> None:
    """A link, a folder, a pipe: nothing outside the folder is read, and nothing blocks."""
    folder.mkdir()
    (tmp_path / "other").write_text(json.dumps(GOOD))
    (folder / "1.json").symlink_to(tmp_path / "other")
    (folder / "2.json").mkdir()
    os.mkfifo(folder / "3.json")
    assert read(folder) == []
    assert sorted(path.name for path in folder.iterdir()) == [f"{number}.json.unreadable" for number in (1, 2, 3)]


def test_without_rights_of_root_nothing_is_given_away(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A process that is not root leaves files with its own owner."""

    def refused(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.setattr(os, "fchown", refused)
    leave(folder, JobReport(JOB, AT))
    assert len(read(folder)) == 1


def test_a_file_that_went_away_while_we_looked(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another daemon read it, or the operator removed it: nothing is reported."""

    def gone(_path: Path) -> str:
        raise FileNotFoundError

    leave(folder, JobReport(JOB, AT))
    monkeypatch.setattr(job_spool, "_read", gone)
    assert read(folder) == []


async def test_the_daemon_takes_in_what_was_left(store: Store, path: Path) -> None:
    """It is in the database before the folder is emptied, and the same job may report again."""
    folder = spool_of(path)
    reports = SpooledJobReports(store.job_reports, folder, later)
    assert await reports.last(JOB) == LastJobReports()
    leave(folder, JobReport(JOB, AT, message="12 GiB"))
    leave(folder, JobReport("tide-log", AT, failed=True))
    assert await reports.last(JOB) == LastJobReports(JobReport(JOB, AT, message="12 GiB"))
    assert not [*folder.iterdir()]
    assert (await store.job_reports.last("tide-log")).failed == JobReport("tide-log", AT, failed=True)


async def test_what_0_1_0_left_is_taken_in_and_its_folder_removed(tmp_path: Path) -> None:
    """A job may have reported while the daemon was stopped for the upgrade; the new folder is read as well."""
    database = tmp_path / "watchkeeper.db"
    folder, earlier = spool_of(database), earlier_spool_of(database)
    earlier.mkdir()
    text = '{"job": "nightly-backup", "at": "2026-11-25T08:00:00+00:00", "failed": false, "said": "12 GiB"}'
    (earlier / "00000001764057600000-7-aa.json").write_text(text)
    leave(folder, JobReport("tide-log", AT))
    reports = SpooledJobReports(MemoryJobReports(), folder, later, earlier)
    assert (await reports.last(JOB)).good == JobReport(JOB, AT, message="12 GiB")
    assert (await reports.last("tide-log")).good == JobReport("tide-log", AT)
    assert not earlier.exists()
    leave(folder, JobReport(JOB, AT + timedelta(minutes=1)))
    assert (await reports.last(JOB)).good == JobReport(JOB, AT + timedelta(minutes=1))


async def test_what_0_1_0_could_not_read_stays_in_its_folder(tmp_path: Path) -> None:
    """A folder with other files is not removed; without one there is nothing to do."""
    folder, earlier = spool_of(tmp_path / "watchkeeper.db"), earlier_spool_of(tmp_path / "watchkeeper.db")
    assert await SpooledJobReports(MemoryJobReports(), folder, later, earlier).last(JOB) == LastJobReports()
    earlier.mkdir()
    (earlier / "0-spoilt.json.unreadable").touch()
    assert await SpooledJobReports(MemoryJobReports(), folder, later, earlier).last(JOB) == LastJobReports()
    assert (earlier / "0-spoilt.json.unreadable").exists()


async def test_a_newer_report_stays(folder: Path) -> None:
    """A report recorded another way meanwhile is not overwritten by one left before it."""
    reports = SpooledJobReports(MemoryJobReports(), folder, later)
    await reports.record(JobReport(JOB, AT + timedelta(minutes=5), message="new"))
    leave(folder, JobReport(JOB, AT, message="old"))
    assert (await reports.last(JOB)).good == JobReport(JOB, AT + timedelta(minutes=5), message="new")


async def test_a_report_from_the_future(folder: Path) -> None:
    """The clock was set back since: it counts as of now, because otherwise it would hide that no other arrives."""
    leave(folder, JobReport(JOB, AT + timedelta(days=400)))
    assert (await SpooledJobReports(MemoryJobReports(), folder, later).last(JOB)).good == JobReport(JOB, later())


async def test_a_report_left_while_the_wall_clock_was_wrong_has_the_time_of_the_daemon(folder: Path) -> None:
    """60 days ahead or behind: it counts from the time at which it was left, by the clock that only goes forward."""
    for wrong in (timedelta(days=60), timedelta(days=-60)):
        boot_id, boot_s = Clock().boot()
        reports = SpooledJobReports(MemoryJobReports(), folder, later, boot=lambda i=boot_id, s=boot_s: (i, s + 90))  # type: ignore[misc]
        leave(folder, JobReport(JOB, later() + wrong))
        found = (await reports.last(JOB)).good
        assert found is not None
        assert later() - timedelta(seconds=91) < found.at <= later() - timedelta(seconds=90) + timedelta(seconds=30)


@pytest.mark.parametrize("boot", [("another boot", 1e9), ("", 1e9), None], ids=["other boot", "unknown", "not asked"])
async def test_a_report_of_an_earlier_boot_has_its_own_time(folder: Path, boot: tuple[str, float] | None) -> None:
    """Seconds since another boot say nothing."""
    leave(folder, JobReport(JOB, AT))
    reports = SpooledJobReports(MemoryJobReports(), folder, later, boot=None if boot is None else lambda: boot)
    assert (await reports.last(JOB)).good == JobReport(JOB, AT)


async def test_a_report_that_names_no_boot_has_its_own_time(folder: Path) -> None:
    """One of 0.1.0, or one whose members are of another type."""
    plain = {"job": JOB, "at": AT.isoformat(), "failed": False, "message": ""}
    boots: list[dict[str, object]] = [{}, {"boot": 5, "boot_s": 1.0}, {"boot": Clock().boot()[0], "boot_s": "x"}]
    leave(folder, JobReport("tide-log", AT))
    for number, more in enumerate(boots):
        await asyncio.to_thread((folder / f"{number}.json").write_text, json.dumps({**plain, **more}))
        reports = SpooledJobReports(MemoryJobReports(), folder, later, boot=Clock().boot)
        assert (await reports.last(JOB)).good == JobReport(JOB, AT)


async def test_a_small_correction_of_the_clock_changes_no_report(folder: Path) -> None:
    """The report's own time is the more exact one; one from after now by the even clock is not believed."""
    boot_id, boot_s = Clock().boot()
    for ahead_s in (30.0, -3600.0):
        leave(folder, JobReport(JOB, later()))
        reports = SpooledJobReports(MemoryJobReports(), folder, later, boot=lambda by=ahead_s: (boot_id, boot_s + by))  # type: ignore[misc]
        assert (await reports.last(JOB)).good == JobReport(JOB, later())


class FullStore(MemoryJobReports):
    """A store without space."""

    async def record(self, report: JobReport) -> None:
        del report
        raise StoreError("no room")


async def test_what_cannot_be_kept_stays_where_it_is(folder: Path) -> None:
    """A full database loses no report."""
    leave(folder, JobReport(JOB, AT))
    with pytest.raises(StoreError):
        await SpooledJobReports(FullStore(), folder, later).last(JOB)
    assert len(read(folder)) == 1


async def test_what_cannot_be_deleted_is_taken_in_again_and_changes_nothing(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same applies after a crash between the two steps."""

    def refused(_path: Path) -> None:
        raise PermissionError

    reports = SpooledJobReports(MemoryJobReports(), folder, later)
    leave(folder, JobReport(JOB, AT))
    monkeypatch.setattr(Path, "unlink", refused)
    assert await reports.last(JOB) == await reports.last(JOB) == LastJobReports(JobReport(JOB, AT))


async def test_a_folder_that_may_not_be_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The error names it."""

    def refused(_folder: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(job_spool, "read", refused)
    with pytest.raises(StoreError, match="Permission denied"):
        await SpooledJobReports(MemoryJobReports(), folder, later).last(JOB)


@given(st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 99), st.booleans()), max_size=20))
def test_only_the_newest_of_each_sort_counts(left: list[tuple[str, int, bool]]) -> None:
    """The result is the same as if each had been recorded one after the other."""
    found = newest(JobReport(job, AT + timedelta(seconds=s), failed) for job, s, failed in left)
    expected = {(job, failed): max(s for j, s, f in left if (j, f) == (job, failed)) for job, _, failed in left}
    assert {(each.job, each.failed): (each.at - AT).total_seconds() for each in found} == expected


def test_many_at_once_from_many_processes(folder: Path) -> None:
    """They do not interfere with each other."""
    code = (
        "import sys, pathlib, datetime as d; from watchkeeper.store.files.job_spool import leave;"
        "from watchkeeper.model.probe_state import JobReport;"
        "[leave(pathlib.Path(sys.argv[1]), JobReport('job', d.datetime(2026, 1, 1, tzinfo=d.UTC))) for _ in range(5)]"
    )
    started = [subprocess.Popen([sys.executable, "-c", code, str(folder)]) for _ in range(4)]
    assert [each.wait(60) for each in started] == [0] * 4
    assert len(read(folder)) == 20
