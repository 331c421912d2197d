"""The page and the API of the capacity question: is there space? planning/capacity/text.py has the sentences."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from aiohttp import web
from markupsafe import Markup

from watchkeeper.messages.wording import duration
from watchkeeper.model.observation import Kind, Unit
from watchkeeper.model.records import Series
from watchkeeper.model.units import format_size
from watchkeeper.planning.capacity import text as wording
from watchkeeper.planning.capacity.answer import CapacityAnswer, CpuAnswer, Fit, MemoryAnswer, Reason, StoreAnswer
from watchkeeper.planning.capacity.question import BadQuestion, Question
from watchkeeper.planning.host_state import StoreKind
from watchkeeper.web.api.handlers import reply
from watchkeeper.web.auth.session_auth import session_of, viewer
from watchkeeper.web.charts import capacity_chart
from watchkeeper.web.context import Context, of
from watchkeeper.web.http.problem_details import Refusal
from watchkeeper.web.planning.capacity_json import capacity_form
from watchkeeper.web.planning.parameters import (
    CAPACITY,
    CPUS,
    DISK,
    ENLARGE,
    GROWS,
    HOST_DISK,
    HOST_MEMORY,
    MEMORY,
    RESERVED,
    STORE,
    WRITTEN,
)
from watchkeeper.web.planning.planner import PLANNER, CannotPlan, Planned, refused
from watchkeeper.web.planning.response_types import Capacity
from watchkeeper.web.templating import render

GUEST = "guest "
SPACE = ("space", "data")
"""The quantity names of a store's level in bytes."""
HINTS = {
    "enlarge": "for an existing guest, enter how much more, such as +16GiB",
    "disk": "such as 32GiB",
    "memory": "such as 2GiB",
    "cpus": "such as 2",
    "grows": "optional, such as 1GiB/day",
    "written": "such as 4GiB, the size of an image",
    "host_disk": "usable bytes, such as 1TiB",
    "host_memory": "such as 16GiB",
}


@dataclass(frozen=True, slots=True)
class Field:
    """A field of the form: its value, and what is wrong with that. first: the first one that is wrong."""

    name: str
    value: str
    hint: str
    trouble: str = ""
    first: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """A store, the memory or the CPUs, as the page shows it. lines: names and sentences. snapshots: has it any?"""

    title: str
    fit: Fit
    beside: str
    against: tuple[str, ...]
    lines: tuple[tuple[str, tuple[str, ...]], ...]
    series_id: int | None = None
    pictures: tuple[Markup, ...] = ()
    days: tuple[tuple[str, str, str], ...] = ()
    times: tuple[tuple[str, tuple[str, ...]], ...] = ()
    snapshots: bool = False


async def page(request: web.Request) -> web.Response:
    """The capacity page: its form, and the answer if a question is asked."""
    context = of(request)
    planned: Planned[CapacityAnswer] | None = None
    troubles: dict[str, str] = {}
    if any(each.name in request.query for each in CAPACITY if each.name != "store"):
        planned, troubles = await _asked(request)
    series = await context.store.series()
    answer = planned.answer if planned else None
    return render(
        "capacity.html",
        context,
        context.clock.now(),
        status=400 if troubles else 200,
        viewer=viewer(request),
        fields=form_of(request, [each.name for each in CAPACITY], HINTS, troubles),
        trouble=troubles.get("", ""),
        wrong=bool(troubles),
        guests=_with(guests(series), request.query.get("enlarge", "").strip()),
        stores=_with([each.key.subject for each in stores(series)], request.query.get("store", "").strip()),
        answer=answer,
        verdict=_verdict(answer) if answer else "",
        same=wording.SAME if answer and wording.changes_nothing(answer) else "",
        parts=list(_parts(answer, series)) if answer else [],
        cautions=_cautions(answer) if answer else [],
        age=age(planned.looked_at, context) if planned else "",
        as_json=f"capacity?{filled(request).rel_url.raw_query_string}" if planned else "",
    )


async def capacity(request: web.Request) -> web.Response:
    """The page as JSON, as the command prints it."""
    try:
        planned = await request.app[PLANNER].capacity(question_of(request), signed_in=session_of(request) is not None)
    except BadQuestion as error:
        more = {"parameter": error.field} if error.field else None
        raise Refusal(400, wording.sentence(str(error)), more) from error
    except CannotPlan as error:
        raise refused(error) from error
    return reply(Capacity(host=of(request).host, **capacity_form(planned.answer)))


def age(looked_at: datetime, context: Context) -> str:
    """The age of what was read from the host."""
    seconds = (context.clock.now() - looked_at).total_seconds()
    return "just now" if seconds < 2 else f"{duration(seconds)} ago"


async def _asked(request: web.Request) -> tuple[Planned[CapacityAnswer] | None, dict[str, str]]:
    """The answer, or what is wrong with the question, by field; under an empty name what is wrong with the whole."""
    asked = filled(request)
    troubles = {}
    for each in CAPACITY:
        try:
            each.of(asked)
        except Refusal as refusal:
            troubles[each.name] = refusal.detail
    if not troubles and asked.query.get("enlarge") is None:
        troubles = {each: PLUS for each in ("disk", "memory", "cpus") if asked.query.get(each, "").startswith("+")}
    if troubles:
        return None, troubles
    try:
        return await request.app[PLANNER].capacity(question_of(asked), signed_in=session_of(request) is not None), {}
    except BadQuestion as error:
        return None, {error.field: wording.sentence(str(error))}
    except CannotPlan as error:
        raise refused(error) from error


PLUS = "A plus sign is for enlarging a guest: choose the guest above, or remove the plus sign."


def filled(request: web.Request) -> web.Request:
    """The request without the fields that were left empty."""
    query = [(name, value.strip()) for name, value in request.query.items() if value.strip()]
    return request.clone(rel_url=request.rel_url.with_query(query))


def form_of(
    request: web.Request, names: Iterable[str], hints: Mapping[str, str], troubles: Mapping[str, str]
) -> dict[str, Field]:
    """The fields of a form as they were typed, each with what is wrong with it."""
    wrong = next((each for each in names if each in troubles), "")
    return {
        name: Field(name, request.query.get(name, ""), hints.get(name, ""), troubles.get(name, ""), name == wrong)
        for name in names
    }


def guests(series: Sequence[Series]) -> list[str]:
    """The monitored guests, by their own names."""
    subjects = dict.fromkeys(each.key.subject for each in series)
    return [each.removeprefix(GUEST) for each in subjects if each.startswith(GUEST)]


def stores(series: Sequence[Series]) -> list[Series]:
    """The levels of the monitored stores."""
    kinds = tuple(f"{each.value} " for each in StoreKind)
    levels = [each for each in series if each.kind is Kind.LEVEL and each.unit is Unit.BYTES]
    return [each for each in levels if each.key.quantity in SPACE and each.key.subject.startswith(kinds)]


def _with(known: list[str], chosen: str) -> list[str]:
    """The available choices; the chosen one is always included, even if nothing has that name."""
    return known if not chosen or chosen in known else [*known, chosen]


def _verdict(answer: CapacityAnswer) -> str:
    """The headline. What is against it is said once, at the part that it is about."""
    return wording.verdict(answer) if answer.fit is Fit.YES else wording.heading(answer)


def _parts(answer: CapacityAnswer, series: Sequence[Series]) -> Iterator[Part]:
    ids = {each.key: each.id for each in series}
    for store in answer.stores:
        yield _store(store, ids.get(store.key))
    if answer.memory.asked:
        yield _memory(answer.memory)
    if answer.cpu.asked:
        yield _cpus(answer.cpu)


def _store(store: StoreAnswer, series_id: int | None) -> Part:
    days = _days(store)
    return Part(
        store.key.subject,
        store.fit,
        f"{format_size(store.used_bytes)} of {format_size(store.capacity_bytes)} used",
        _against(store.reasons, store.key.subject),
        (
            ("growth", (wording.growth(store),)),
            ("allocated", (wording.overcommit(store),)),
            ("largest disk", (wording.largest(store),)),
        ),
        series_id,
        _pictures(store) if len(days) > FEW_ROWS else (),
        days,
        tuple(_times(store)),
        store.held_by_snapshots > 0,
    )


FEW_ROWS = 2
"""If the store is full long before each of the days ahead, the columns of a picture would all be cut off."""


def _pictures(store: StoreAnswer) -> tuple[Markup, ...]:
    sizes = (capacity_chart.NARROW, capacity_chart.WIDE)
    return tuple(Markup(capacity_chart.draw(store, size)) for size in sizes)  # noqa: S704  web/charts/svg.py escapes


def _days(store: StoreAnswer) -> tuple[tuple[str, str, str], ...]:
    """When, and whether it fits in either scenario; days ahead with the same answers are one row."""
    rows: list[tuple[list[int], str, str]] = []
    for a, b in zip(store.growing, store.written, strict=True):
        said = wording.fits_on_day(a), wording.fits_on_day(b)
        if rows and rows[-1][1:] == said and rows[-1][0] != [0]:
            rows[-1][0].append(a.day)
        else:
            rows.append(([a.day], *said))
    return tuple((wording.days_name(days), growing, written) for days, growing, written in rows)


def _times(store: StoreAnswer) -> Iterator[tuple[str, tuple[str, ...]]]:
    for name, found in (("before", store.before), ("after", store.after)):
        if found is not None:
            said = (wording.full(found), f"trend only: {wording.straight(found)}", wording.never(found))
            yield name, tuple(each for each in said if each)


def _memory(found: MemoryAnswer) -> Part:
    return Part(
        "memory", found.fit, "", _against(found.reasons, "memory"), (("details", tuple(wording.memory(found))),)
    )


def _cpus(found: CpuAnswer) -> Part:
    return Part("CPUs", found.fit, "", _against(found.reasons, "CPUs"), (("allocated", tuple(wording.cpus(found))),))


def _against(reasons: tuple[Reason, ...], subject: str) -> tuple[str, ...]:
    return tuple(wording.sentence(wording.reason(each, subject)) for each in reasons)


def _cautions(answer: CapacityAnswer) -> list[str]:
    said = wording.cautions(answer)
    return [*said, wording.LIKELY_WHY] if any(each.after for each in answer.stores) else said


def question_of(request: web.Request) -> Question:
    """The question of a request. Raises Refusal (400)."""
    return Question(
        disk_bytes=DISK.of(request) or 0,
        memory_bytes=MEMORY.of(request) or 0,
        cpus=CPUS.of(request) or 0,
        written_bytes=WRITTEN.of(request) or 0,
        grows_bytes_per_day=GROWS.of(request) or 0.0,
        reserved=RESERVED.of(request) == "yes",
        enlarges=ENLARGE.of(request),
        store=STORE.of(request),
        host_disk_bytes=HOST_DISK.of(request) or 0,
        host_memory_bytes=HOST_MEMORY.of(request) or 0,
    )
