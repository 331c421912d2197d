"""The page and the API of reclaim: what sets of snapshots hold, and would free together. Nothing is ever deleted."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlencode

from aiohttp import web

from watchkeeper.model.records import Series
from watchkeeper.planning.capacity.text import sentence
from watchkeeper.planning.reclaim import text as words
from watchkeeper.planning.reclaim.snapshots import ReclaimAnswer, SetHeld
from watchkeeper.web.api.handlers import reply
from watchkeeper.web.auth.session_auth import session_of, viewer
from watchkeeper.web.context import of
from watchkeeper.web.http.problem_details import Refusal
from watchkeeper.web.planning.best_deletions import command
from watchkeeper.web.planning.capacity import age, stores
from watchkeeper.web.planning.parameters import RECLAIM_STORE
from watchkeeper.web.planning.planner import PLANNER, CannotPlan, Planned, refused
from watchkeeper.web.planning.reclaim_json import reclaim_form
from watchkeeper.web.planning.response_types import Reclaim
from watchkeeper.web.templating import render


@dataclass(frozen=True, slots=True)
class SetRow:
    """A set: its size as text, what it is, from when to when. least, most: as percentages of the largest one."""

    size: str
    what: str
    oldest_at: datetime
    newest_at: datetime
    count: int
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class StoreRows:
    """A store with its sets. command: the command that shows on the host which of them to drop."""

    command: str
    title: str
    series_id: int | None
    sets: tuple[SetRow, ...]
    why: str


async def page(request: web.Request) -> web.Response:
    """What is held, store by store."""
    context = of(request)
    planned = await _asked(request)
    answer, series, narrowed = planned.answer, await context.store.series(), RECLAIM_STORE.of(request)
    known = {each.key.subject for each in stores(series)}
    # A monitored store without snapshots exists: asking for it is no mistake.
    unknown = [each for each in answer.missing if each.asked not in known]
    missing = [sentence(words.missing_words(each, answer)).removesuffix(".") for each in unknown]
    return render(
        "reclaim.html",
        context,
        context.clock.now(),
        status=400 if missing else 200,
        viewer=viewer(request),
        missing=missing,
        stores=list(_stores(answer, series)),
        unseen=answer.unseen,
        narrowed=narrowed,
        as_json="" if answer.missing else f"reclaim?{urlencode({'store': narrowed})}" if narrowed else "reclaim",
        age=age(planned.looked_at, context),
        nothing=words.NONE,
        deleted=words.NOTHING_DELETED,
        cautions=(words.LATER, words.BASES),
    )


async def reclaim(request: web.Request) -> web.Response:
    """The page as JSON, as the command prints it."""
    planned = await _asked(request)
    if planned.answer.missing:
        said = " ".join(words.missing_words(each, planned.answer) for each in planned.answer.missing)
        raise Refusal(400, said, {"parameter": RECLAIM_STORE.name})
    return reply(Reclaim(host=of(request).host, **reclaim_form(planned.answer)))


async def _asked(request: web.Request) -> Planned[ReclaimAnswer]:
    try:
        return await request.app[PLANNER].reclaim(RECLAIM_STORE.of(request), signed_in=session_of(request) is not None)
    except CannotPlan as error:
        raise refused(error) from error


def _stores(answer: ReclaimAnswer, series: Sequence[Series]) -> Iterator[StoreRows]:
    ids = {each.key: each.id for each in series}
    largest = max((_most(each) for each in answer.sets), default=0) or 1
    for store in words.by_size(answer.stores):
        held = [each for each in answer.sets if each.store == store.store]
        rows = tuple(_row(each, largest) for each in held)
        title = words.held_words(store)
        yield StoreRows(command(store.store.subject), title, ids.get(store.store), rows, words.why_words(held))


def _row(held: SetHeld, largest: int) -> SetRow:
    size, what = words.size_words(held.together.bounds), words.set_words(held)
    least, most = (round(100 * each / largest, 1) for each in (held.together.bounds.least, _most(held)))
    return SetRow(size, what, held.oldest_at, held.newest_at, held.count, least, most)


def _most(held: SetHeld) -> int:
    bounds = held.together.bounds
    return bounds.least if bounds.most is None else bounds.most
