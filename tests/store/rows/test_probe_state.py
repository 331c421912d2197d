"""Probes' notes and jobs' reports, across restarts and power cuts."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.store.material import HOUR, START
from tests.store.strategies import TEXT
from watchkeeper.errors import StoreError
from watchkeeper.model.probe_state import NOTES_LIMIT, JobReport, JobReports, LastJobReports, StateStore
from watchkeeper.store import Store
from watchkeeper.store.writer import Writer


async def test_notes_outlive_the_daemon(path: Path) -> None:
    """Each owner has its own text; an unknown one has none."""
    async with await Store.open(path) as store:
        notes: StateStore = store.probe_states
        assert await notes.read("returned") == ""
        await notes.write("returned", "hide-hub")
        await notes.write("returned", "hide-hub, tide-log")
        await notes.write("http", "x")
    async with await Store.open(path) as store:
        assert await store.probe_states.read("returned") == "hide-hub, tide-log"
        assert await store.probe_states.read("http") == "x"


async def test_notes_have_a_bound(store: Store) -> None:
    """A text over the limit is refused, and the previous one stays."""
    await store.probe_states.write("returned", "x" * NOTES_LIMIT)
    with pytest.raises(StoreError, match=f"the state of returned has {NOTES_LIMIT + 1} characters"):
        await store.probe_states.write("returned", "y" * (NOTES_LIMIT + 1))
    assert await store.probe_states.read("returned") == "x" * NOTES_LIMIT


async def test_the_newest_report_of_each_sort(path: Path) -> None:
    """A successful and a failed one are kept side by side, each replacing its predecessor."""
    good, later = JobReport("nightly-backup", START), JobReport("nightly-backup", START + HOUR)
    failed = JobReport("nightly-backup", START + 2 * HOUR, failed=True, message="no room\x00\udc80")
    async with await Store.open(path) as store:
        reports: JobReports = store.job_reports
        assert await reports.last("nightly-backup") == LastJobReports()
        for each in (good, failed, later):
            await reports.record(each)
    async with await Store.open(path) as store:
        assert await store.job_reports.last("nightly-backup") == LastJobReports(later, failed)
        assert await store.job_reports.last("other") == LastJobReports()


async def test_both_survive_a_power_cut(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """They are synced: https://www.sqlite.org/pragma.html#pragma_synchronous: 2 is FULL."""
    levels: list[int] = []

    def look(writing: Writer, *_: object) -> None:
        levels.append(writing._conn.execute("PRAGMA synchronous").fetchone()[0])

    monkeypatch.setattr(Writer, "write_note", look)
    monkeypatch.setattr(Writer, "write_check_in", look)
    await store.probe_states.write("returned", "x")
    await store.job_reports.record(JobReport("nightly-backup", START))
    assert levels == [2, 2]


@given(owner=TEXT, text=TEXT, failed=st.booleans())
@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
async def test_any_text_comes_back(store: Store, owner: str, text: str, *, failed: bool) -> None:
    """Names and texts come from probes and jobs unchanged: NUL, lone surrogates and all."""
    await store.probe_states.write(owner, text)
    assert await store.probe_states.read(owner) == text
    report = JobReport(owner, START, failed, text)
    await store.job_reports.record(report)
    found = await store.job_reports.last(owner)
    assert (found.failed if failed else found.good) == report
