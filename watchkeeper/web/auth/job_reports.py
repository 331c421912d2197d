"""A job reports over HTTP: `POST /checkin/NAME` with the job's own token (RFC 6750), from this host or another.

The token is a secret in the configuration, belongs to one job, and is valid for nothing else. The right one is never
refused, however many wrong ones are sent. Without a job's token, the answer does not reveal whether there is such a
job. Not here: what a report means (the checkin probe).
"""

import math
from dataclasses import dataclass

from aiohttp import web

from watchkeeper.errors import StoreError
from watchkeeper.messages.wording import clean
from watchkeeper.model.probe_state import JobReport, JobReports
from watchkeeper.web.auth.budgets import Tries
from watchkeeper.web.auth.session_auth import SESSION_AUTH, form
from watchkeeper.web.auth.tokens import JobTokens
from watchkeeper.web.context import of
from watchkeeper.web.http.problem_details import Refusal

PATH = "/checkin/{name}"

SAID_LIMIT = 1_000
"""Characters of a job's own message; the same limit as in the command."""

LONGEST_NAME = 100
"""Characters of a job's name (the checkin probe's settings); no more of a stranger's input is stored."""

_REFUSED = (
    "There is no such job here, or this is not its token. If it is, the token cannot be read on this side, and "
    "watchkeeper's log says why."
)

_YES = frozenset({"1", "true", "yes"})


@dataclass(frozen=True, slots=True)
class Jobs:
    """Who may report, and where reports are stored. wrong: tries with a wrong token, by job and place."""

    tokens: JobTokens
    check_ins: JobReports
    wrong: Tries


JOBS = web.AppKey("jobs", Jobs)


def add(app: web.Application, jobs: Jobs, prefix: str) -> None:
    """Serve it under a prefix."""
    app[JOBS] = jobs
    jobs.tokens.prime()
    app.router.add_post(f"{prefix}{PATH}", report)


async def report(request: web.Request) -> web.Response:
    """Answer 204 if the report is stored. The form is optional: failed=1, and said=TEXT, the job's own message."""
    name = request.match_info["name"]
    await _admit(request, name)
    fields = await form(request) if request.can_read_body else {}
    failed = _failed(fields.get("failed", ""))
    said = clean(fields.get("said", ""), SAID_LIMIT)
    try:
        await request.app[JOBS].check_ins.record(JobReport(name, of(request).clock.now(), failed, said))
    except StoreError as error:
        raise Refusal(503, f"The check-in cannot be kept: {error}.") from None
    return web.Response(status=204)


def _failed(text: str) -> bool:
    if text.lower() in _YES:
        return True
    if text.lower() in {"", "0", "false", "no"}:
        return False
    raise Refusal(400, "failed is 1 where the job failed; leave it out where it did not.")


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
        raise Refusal(429, f"Too many wrong tokens; wait {seconds} s.", {"retry_after_s": seconds})
    jobs.wrong.count(tried)
    raise Refusal(401, _REFUSED)
