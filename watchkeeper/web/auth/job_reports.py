"""A job reports over HTTP: `POST /jobs/NAME/ran` with the job's own token (RFC 6750), from this host or another.

The token is a secret in the configuration, belongs to one job, and is valid for nothing else. The right one is never
refused, however many wrong ones are sent. Without a job's token, the answer does not reveal whether there is such a
job. Not here: what a report means (the probe `job`).
"""

import math
from dataclasses import dataclass

from aiohttp import web

from watchkeeper.errors import StoreError
from watchkeeper.messages.wording import clean
from watchkeeper.model.probe_state import JobReport, JobReports
from watchkeeper.web.auth.budgets import Tries
from watchkeeper.web.auth.session_auth import SESSION_AUTH, form
from watchkeeper.web.auth.tokens import Tokens
from watchkeeper.web.context import of
from watchkeeper.web.http.problem_details import Refusal

PATH = "/jobs/{name}/ran"

MESSAGE_LIMIT = 1_000
"""Characters of a job's own message; the same limit as in the command."""

FIELDS = ("failed", "message")
"""The fields of the form; both may be left out."""

LONGEST_NAME = 100
"""Characters of a job's name, as in its settings; no more of a stranger's input is stored."""

_REFUSED = (
    "There is no such job, or the token is wrong. If both are right, watchkeeper cannot read the token: its log says "
    "why."
)

_YES = frozenset({"1", "true", "yes"})


@dataclass(frozen=True, slots=True)
class Jobs:
    """Who may report, and where reports are stored. wrong: tries with a wrong token, by job and place."""

    tokens: Tokens
    job_reports: JobReports
    wrong: Tries


JOBS = web.AppKey("jobs", Jobs)


def add(app: web.Application, jobs: Jobs, prefix: str) -> None:
    """Serve it under a prefix."""
    app[JOBS] = jobs
    jobs.tokens.prime()
    app.router.add_post(f"{prefix}{PATH}", receive)


async def receive(request: web.Request) -> web.Response:
    """Answer 204 if the report is stored. The form is optional: failed=1, and message=TEXT, the job's own text."""
    name = request.match_info["name"]
    await _admit(request, name)
    fields = await _fields(request)
    message = clean(fields.get("message", ""), MESSAGE_LIMIT)
    report = JobReport(name, of(request).clock.now(), _failed(fields.get("failed", "")), message)
    try:
        await request.app[JOBS].job_reports.record(report)
    except StoreError as error:
        raise Refusal(503, f"The report cannot be stored: {error}.") from None
    return web.Response(status=204)


async def _fields(request: web.Request) -> dict[str, str]:
    """The form, if there is one. A field that nobody reads is refused: its text would be lost."""
    if request.can_read_body and request.content_type == "application/json":
        return await _heartbeat(request)
    fields = await form(request) if request.can_read_body else {}
    for name in fields:
        if name not in FIELDS:
            raise Refusal(400, f"A job report has no field {clean(name, 80)}; the fields are {' and '.join(FIELDS)}.")
    return fields


async def _heartbeat(request: web.Request) -> dict[str, str]:
    """The heartbeat of another watchkeeper, whose `[heartbeat]` has the job's token: it is sent only on `pass`."""
    try:
        said = await request.json()
    except (ValueError, RecursionError):
        said = None
    if not isinstance(said, dict) or said.get("status") != "pass":
        raise Refusal(415, 'A report is a form; JSON is only taken as a heartbeat, an object whose status is "pass".')
    return {"message": f"heartbeat of {said.get('host', 'another host')}"}


def _failed(text: str) -> bool:
    if text.lower() in _YES:
        return True
    if text.lower() in {"", "0", "false", "no"}:
        return False
    raise Refusal(400, f"failed is {clean(text, 80)}: write 1 if the job failed, or leave it out.")


async def _admit(request: web.Request, name: str) -> None:
    """Raise Refusal without the job's token: 401, or 429 after too many wrong ones for this job from this place.

    The answer is the same for a job that does not exist and for one whose token cannot be read.
    """
    jobs = request.app[JOBS]
    scheme, _, given = request.headers.get("Authorization", "").partition(" ")
    if await jobs.tokens.match(name, given.strip()) and scheme.lower() == "bearer":
        return
    tried = (name[:LONGEST_NAME], request.app[SESSION_AUTH].visitors.place(request).name)
    wait_s = jobs.wrong.wait_s(tried)
    if wait_s > 0:
        seconds = math.ceil(wait_s)
        raise Refusal(429, f"Too many wrong tokens: try again in {seconds} s.", {"retry_after_s": seconds})
    jobs.wrong.count(tried)
    raise Refusal(401, _REFUSED)
