"""Reports of jobs: when the next is due, and whether the last was a good one."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from pydantic import ValidationError

from tests.probes.hands import SetClock, conditions, the_deadline
from watchkeeper.model.probe_state import JobReport, MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services.job import JobProbe, JobSettings

JOB = "nightly-backup"
DAY = timedelta(days=1)


@pytest.fixture
def desk(bench: ProbeContext, clock: SetClock) -> ProbeContext:
    """A bench with that clock."""
    return replace(bench, clock=clock)


def probe_of(desk: ProbeContext) -> JobProbe:
    """A probe of the job."""
    return JobProbe(JobSettings.model_validate({"name": JOB, "within": "1d"}), desk)


async def test_a_job_that_never_reported(desk: ProbeContext, clock: SetClock) -> None:
    """Its first report is due a whole period after it was first looked for, also across restarts of the daemon."""
    first = clock.wall
    deadline = the_deadline(await probe_of(desk).observe())
    assert str(deadline.key) == "job nightly-backup: report"
    assert (deadline.due_at, deadline.last_at, deadline.period_s) == (first + DAY, None, 86_400)
    assert deadline.facts == (("successful runs so far", "none"),)
    clock.advance(7200)
    assert the_deadline(await probe_of(desk).observe()).due_at == first + DAY


async def test_a_successful_run(desk: ProbeContext, clock: SetClock) -> None:
    """The next is due a period after it; what the job said is a fact."""
    await desk.job_reports.record(JobReport(JOB, clock.wall, message="42 GiB copied\x1b[0m"))
    clock.advance(3600)
    probe = probe_of(desk)
    seen = await probe.observe()
    await probe.close()
    assert the_deadline(seen).due_at == clock.wall - timedelta(hours=1) + DAY
    result = conditions(seen)["job nightly-backup: result"]
    assert result.ok
    assert result.facts == (("message", "42 GiB copied\\x1b[0m"),)


async def test_a_failed_run(desk: ProbeContext, clock: SetClock) -> None:
    """A job that says that it failed is faulty, and its successful run of before still counts for the deadline."""
    await desk.job_reports.record(JobReport(JOB, clock.wall))
    good_at = clock.wall
    clock.advance(3600)
    await desk.job_reports.record(JobReport(JOB, clock.wall, failed=True, message="no space\nleft"))
    seen = await probe_of(desk).observe()
    assert the_deadline(seen).last_at == good_at
    result = conditions(seen)["job nightly-backup: result"]
    assert (result.ok, result.reason) == (False, "the job reported a failure: no space\\nleft")
    clock.advance(60)
    await desk.job_reports.record(JobReport(JOB, clock.wall))
    result = conditions(await probe_of(desk).observe())["job nightly-backup: result"]
    assert result.ok
    assert result.facts == ()


async def test_a_job_that_only_ever_failed(desk: ProbeContext, clock: SetClock) -> None:
    """Its first successful run is still waited for."""
    await desk.job_reports.record(JobReport(JOB, clock.wall, failed=True))
    await desk.job_reports.record(JobReport("another", clock.wall))
    seen = await probe_of(desk).observe()
    assert the_deadline(seen).last_at is None
    assert conditions(seen)["job nightly-backup: result"].reason == "the job reported a failure"


async def test_a_note_without_a_zone(desk: ProbeContext, clock: SetClock) -> None:
    """A time without a zone in the notes is no time: it begins again."""
    notes = MemoryStateStore()
    await notes.write(JOB, '{"expected_from": "2020-01-01T00:00:00"}')
    deadline = the_deadline(await probe_of(replace(desk, probe_states=notes)).observe())
    assert deadline.due_at == clock.wall + DAY


@pytest.mark.parametrize("wrong", [{"name": ""}, {"name": "a b"}, {"name": "../x"}, {"name": "ü"}, {"within": "0s"}])
def test_settings_that_make_no_sense(wrong: dict[str, Any]) -> None:
    """A name that could not stand in an address, and no time at all, are refused."""
    with pytest.raises(ValidationError):
        JobSettings.model_validate({"name": JOB, "within": "1d", **wrong})
