"""A job checks in over HTTP: `POST /checkin/NAME` with the job's own token (RFC 6750), from this host or another.

The token is a secret in the configuration, of one job, and good for nothing else. Who has not the token of a job is not
told whether there is such a job. Not here: what a check-in means (the checkin probe).
"""

import asyncio
import hmac
import math
from collections.abc import Mapping
from dataclasses import dataclass

from aiohttp import web

from watchkeeper.config.types import SecretSource
from watchkeeper.core.remembered import CheckIn, CheckIns
from watchkeeper.core.wording import clean
from watchkeeper.errors import StoreError
from watchkeeper.web.context import of
from watchkeeper.web.desk import form, place_of
from watchkeeper.web.problems import Refusal
from watchkeeper.web.sessions import Throttle

PATH = "/checkin/{name}"

SAID_LIMIT = 1_000
"""Characters of a job's own words; as many as the command keeps."""

_REFUSED = "There is no such job here, or this is not its token."

_YES = frozenset({"1", "true", "yes"})


@dataclass(frozen=True, slots=True)
class Jobs:
    """Who may check in, and where that is kept. tokens: by the job's name."""

    tokens: Mapping[str, SecretSource]
    check_ins: CheckIns
    throttle: Throttle


JOBS = web.AppKey("jobs", Jobs)


def add(app: web.Application, jobs: Jobs, prefix: str) -> None:
    """Serve it under a prefix."""
    app[JOBS] = jobs
    app.router.add_post(f"{prefix}{PATH}", check_in)


async def check_in(request: web.Request) -> web.Response:
    """204 where it is kept. The form, which may be missing: failed=1, and said=TEXT in the job's own words."""
    name = request.match_info["name"]
    await _admit(request, name)
    fields = await form(request) if request.can_read_body else {}
    failed = _failed(fields.get("failed", ""))
    said = clean(fields.get("said", ""), SAID_LIMIT)
    try:
        await request.app[JOBS].check_ins.record(CheckIn(name, of(request).clock.now(), failed, said))
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
    """Raises Refusal: 429 where it was tried too often, 401 without the token, 503 where that cannot be read here."""
    jobs, place = request.app[JOBS], place_of(request)
    wait_s = jobs.throttle.begin(place)
    if wait_s > 0:
        seconds = math.ceil(wait_s)
        raise Refusal(429, f"Too many tries; wait {seconds} s.", {"retry_after_s": seconds})
    scheme, _, given = request.headers.get("Authorization", "").partition(" ")
    token = await asyncio.to_thread(_token, jobs.tokens.get(name))
    same = hmac.compare_digest(given.strip().encode("utf-8", "surrogateescape"), token.encode())
    if scheme.lower() != "bearer" or not token or not same:
        raise Refusal(401, _REFUSED)
    jobs.throttle.right(place)


def _token(source: SecretSource | None) -> str:
    """The token; empty where there is no such job. Raises Refusal where it cannot be read."""
    if source is None:
        return ""
    try:
        return source.read().get_secret_value()
    except (OSError, ValueError) as error:
        why = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise Refusal(503, f"The token of this job cannot be read on this side: {why}.") from None
