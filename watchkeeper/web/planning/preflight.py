"""The page and the API of preflight: whether a change is safe now, and afterwards what its result was."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import chain

from aiohttp import web

from watchkeeper.model.records import Series
from watchkeeper.planning.capacity import text as plan_wording
from watchkeeper.planning.capacity.question import BadQuestion
from watchkeeper.planning.preflight import text as ready_wording
from watchkeeper.planning.preflight.decide import Point, PreflightAnswer, Verdict
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.web.api.handlers import reply
from watchkeeper.web.api.json_forms import stamp
from watchkeeper.web.auth.session_auth import session_of, viewer
from watchkeeper.web.context import Context, of
from watchkeeper.web.http.problem_details import Refusal
from watchkeeper.web.planning.capacity import age, filled, form_of, stores
from watchkeeper.web.planning.parameters import AFTER, KEEP, PREFLIGHT, SINCE, SKIP, SUBJECT, WITHIN
from watchkeeper.web.planning.planner import PLANNER, CannotPlan, Change, Planned, refused
from watchkeeper.web.planning.preflight_json import preflight_form
from watchkeeper.web.planning.response_types import Preflight
from watchkeeper.web.templating import render

HINTS = {
    "keep": "such as 7d (default: a week)",
    "snapshot_within": "such as 6h (default: the limit of its probe, otherwise a day)",
    "since": "such as 2h for two hours ago, or 2026-11-25T21:30:00Z (default: its newest snapshot or restart)",
}
KINDS = ("guest ", "service ")
"""What can be changed, besides stores and the host, by the start of its subject."""
AT_LENGTH = {
    Matter.GUEST: "the guest is running",
    Matter.SNAPSHOT: "recent snapshot of each disk",
    Matter.BACKUP: "recent backup on another store",
    Matter.SPACE: "space for what the snapshot will hold",
    Matter.TIME_TO_FULL: "time to full of the store",
    Matter.STORAGE_BELOW: "alerts on it and on the storage below it",
    Matter.ANSWERS: "its services answer",
    Matter.MEMORY: "free memory (after the change only)",
    Matter.MONITORING: "monitoring is running",
    Matter.RESTART: "what a restart would not bring back (of the host only)",
}
ONLY_AFTER = "The time of a change is for looking back: tick that the change was made already, or leave the time empty."


@dataclass(frozen=True, slots=True)
class Group:
    """Points under one heading."""

    title: str
    points: tuple[Point, ...]


async def page(request: web.Request) -> web.Response:
    """The form, and the points if a question is asked."""
    context = of(request)
    planned: Planned[PreflightAnswer] | None = None
    troubles: dict[str, str] = {}
    if any(each.name in request.query for each in PREFLIGHT):
        planned, troubles = await _asked(request)
    answer = planned.answer if planned else None
    series = await context.store.series()
    return render(
        "preflight.html",
        context,
        context.clock.now(),
        status=400 if troubles else 200,
        viewer=viewer(request),
        fields=form_of(request, [each.name for each in PREFLIGHT], HINTS, troubles),
        wrong=bool(troubles),
        subjects=subjects(series, context, request.query.get("subject", "").strip()),
        matters=[(each.value, AT_LENGTH[each]) for each in Matter],
        skipped=request.query.getall("skip", []),
        answer=answer,
        verdict=ready_wording.verdict(answer, context.zone) if answer else "",
        caution=ready_wording.CAUTION,
        groups=list(_groups(answer)) if answer else [],
        age=age(planned.looked_at, context) if planned else "",
        as_json=f"preflight?{filled(request).rel_url.raw_query_string}" if planned else "",
        back=stamp(context.clock.now().replace(microsecond=0)),
    )


async def preflight(request: web.Request) -> web.Response:
    """The page as JSON, as the command prints it."""
    try:
        planned = await request.app[PLANNER].preflight(change_of(request), signed_in=session_of(request) is not None)
    except BadQuestion as error:
        raise Refusal(400, plan_wording.sentence(str(error)), {"parameter": error.field or SUBJECT.name}) from error
    except CannotPlan as error:
        raise refused(error) from error
    return reply(Preflight(host=of(request).host, **preflight_form(planned.answer)))


def change_of(request: web.Request) -> Change:
    """The change that a request is about. Raises Refusal (400)."""
    subject = SUBJECT.of(request)
    if subject is None:
        what = f"subject is missing: it names what you want to change. Write {SUBJECT.allowed}."
        raise Refusal(400, what, {"parameter": SUBJECT.name, "allowed": SUBJECT.allowed})
    afterwards, since = AFTER.of(request) == "yes", SINCE.of(request)
    if since is not None and not afterwards:
        raise Refusal(400, ONLY_AFTER, {"parameter": SINCE.name})
    return Change(
        subject,
        KEEP.of(request),
        WITHIN.of(request),
        frozenset(map(Matter, SKIP.each_of(request))),
        afterwards,
        of(request).clock.now() + since if isinstance(since, timedelta) else since,
    )


async def _asked(request: web.Request) -> tuple[Planned[PreflightAnswer] | None, dict[str, str]]:
    """The answer, or what is wrong with the question, by field."""
    asked = filled(request)
    troubles: dict[str, str] = {}
    for each in PREFLIGHT:
        try:
            if each.several:
                each.each_of(asked)
            else:
                each.of(asked)
        except Refusal as refusal:
            troubles[each.name] = refusal.detail
    if troubles:
        return None, troubles
    try:
        return await request.app[PLANNER].preflight(change_of(asked), signed_in=session_of(request) is not None), {}
    except Refusal as refusal:
        return None, {str(refusal.more.get("parameter", SUBJECT.name)): refusal.detail}
    except BadQuestion as error:
        return None, {error.field or SUBJECT.name: plan_wording.sentence(str(error))}
    except CannotPlan as error:
        raise refused(error) from error


def subjects(series: Sequence[Series], context: Context, chosen: str) -> list[str]:
    """What can be changed: guests, services, stores, the host; and the chosen one, even if nothing has that name."""
    named = [each.key.subject for each in series if each.key.subject.startswith(KINDS)]
    known = dict.fromkeys(chain(sorted(named), (each.key.subject for each in stores(series)), [context.host]))
    return list(known) if not chosen or chosen in known else [chosen, *known]


def _groups(answer: PreflightAnswer) -> Iterator[Group]:
    fine = tuple(each for each in answer.points if each.verdict is Verdict.GO)
    for title, points in (
        (ready_wording.against(answer), answer.hindrances),
        (ready_wording.fine(answer), fine),
    ):
        if points:
            yield Group(title, points)
