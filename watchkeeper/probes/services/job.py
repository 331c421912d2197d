"""A job's reports: the job must report regularly that it ran, and it may report that it failed.

Not here: how a report is received. This reads the latest ones and turns them into observations.
"""

import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from watchkeeper.config.types import Duration, ProbeSettings, TokenSource
from watchkeeper.model.observation import Condition, Deadline, Facts, Observation, SeriesKey
from watchkeeper.model.probe_state import LastJobReports
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.verification.proven_restore import RESTORE_WITHIN, RestoreWithin, observe_restores

_JOB = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


def _job(value: str) -> str:
    if not _JOB.fullmatch(value):
        raise ValueError(
            f"{clip(value)!r} cannot name a job in an address; write letters, digits, dots, hyphens, underscores"
        )
    return value


class JobSettings(ProbeSettings):
    """A job that must report each run: when it last ran, and whether it reported a failure."""

    kind: Literal["job"] = "job"
    name: Annotated[str, AfterValidator(_job)] = Field(
        max_length=100, description="the name that the job reports with, such as nightly-backup"
    )
    every: Duration = Field(60.0, description="how often new reports are read")
    within: Duration = Field(
        description="time within which the job must report its next successful run, such as 26h for a daily job"
    )
    backup_of: tuple[str, ...] = Field(
        (),
        description='this job backs up these guests elsewhere; `preflight` asks for it before a change; "*" for all. '
        "Stores and volumes of containers by what they are: `pool skerry`, `volume hide-hub-data`, `folder /srv/tides`",
    )
    restore_within: RestoreWithin = RESTORE_WITHIN
    token: TokenSource | None = Field(
        None,
        description="the token that a report over HTTP must have, at least 22 random characters: "
        '{ file = "..." } or { credential = "..." }',
    )


class _JobState(StateModel):
    """expected_from: when this probe first ran. The job's first report is due a whole period later."""

    expected_from: datetime | None = None


class JobProbe(BaseProbe):
    """Monitors the reports of one job."""

    def __init__(self, settings: JobSettings, bench: ProbeContext) -> None:
        self._settings, self._clock, self._reports = settings, bench.clock, bench.job_reports
        self._state = ProbeState(bench.probe_states, settings.label, _JobState())
        self._subject = f"job {settings.name}"

    async def observe(self) -> Sequence[Observation]:
        """When the next report is due, and whether the last one reported success."""
        last = await self._reports.last(self._settings.name)
        expected_from = await self._expected_from()
        restores, tried = await observe_restores(
            self._reports, self._settings.name, self._subject, self._settings.restore_within
        )
        seen: list[Observation] = [self._deadline(last, expected_from, restores), *tried]
        if last.good or last.failed:
            seen.append(self._result(last))
        return seen

    async def _expected_from(self) -> datetime:
        since = (await self._state.read()).expected_from
        if since is None or since.tzinfo is None:
            since = self._clock.now()
        await self._state.write(_JobState(expected_from=since))
        return since

    def _deadline(self, last: LastJobReports, expected_from: datetime, restores: Facts) -> Deadline:
        """Only a successful run counts: a job that fails every night is overdue, and `result` says why."""
        period_s = self._settings.within
        good_at = last.good.at if last.good else None
        facts: Facts = (("successful runs so far", "none"),) if good_at is None else ()
        due_at = (good_at or expected_from) + timedelta(seconds=period_s)
        return Deadline(SeriesKey(self._subject, "report"), due_at, good_at, period_s, facts + restores)

    def _result(self, last: LastJobReports) -> Condition:
        failed = last.failed
        if failed is not None and (last.good is None or last.good.at < failed.at):
            message = f": {clip(failed.message)}" if failed.message else ""
            return Condition(
                SeriesKey(self._subject, "result"), ok=False, reason=f"the job reported a failure{message}"
            )
        message = clip(last.good.message) if last.good else ""
        facts: Facts = (("message", message),) if message else ()
        return Condition(SeriesKey(self._subject, "result"), ok=True, facts=facts)
