"""What a single run keeps in memory answers as the database does (tests/store/rows/test_probe_state.py)."""

from datetime import UTC, datetime, timedelta

from watchkeeper.model.probe_state import JobReport, LastJobReports, MemoryJobReports, MemoryStateStore

NOW = datetime(2026, 12, 1, 3, tzinfo=UTC)


async def test_the_newest_report_of_each_outcome() -> None:
    """A failed report does not replace a successful one, and jobs do not share them."""
    first, failed = JobReport("nightly-backup", NOW), JobReport("nightly-backup", NOW, failed=True, message="no room")
    later = JobReport("nightly-backup", NOW + timedelta(hours=1))
    reports = MemoryJobReports()
    for each in (first, failed, later):
        await reports.record(each)
    assert await reports.last("nightly-backup") == LastJobReports(later, failed)
    assert await reports.last("other") == LastJobReports()


async def test_each_owner_has_its_own_text() -> None:
    """The last one counts; without one it is empty."""
    texts = MemoryStateStore()
    await texts.write("http", "x")
    await texts.write("http", "y")
    assert [await texts.read("http"), await texts.read("jobs")] == ["y", ""]
