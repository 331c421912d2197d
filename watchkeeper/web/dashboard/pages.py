"""The handlers of the pages: the status page, the event log, and errors. subject.py has the page of a subject."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from typing import Any
from urllib.parse import urlencode

from aiohttp import web

from watchkeeper.messages.deletions import Deletions
from watchkeeper.messages.delivery import stand_in, waiting
from watchkeeper.messages.delivery.maintenance import line as maintenance_line
from watchkeeper.messages.delivery.stand_in import StandIn
from watchkeeper.messages.wording import clean, duration, thing
from watchkeeper.model.alert import Priority
from watchkeeper.model.hosts import named
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.web.api.handlers import BEFORE, SEARCHED_DELIVERIES, STATUS_EVENTS, set_aside
from watchkeeper.web.auth.session_auth import SESSION_AUTH, viewer
from watchkeeper.web.context import Context, of
from watchkeeper.web.dashboard import dashboard_text, house_state, time_left
from watchkeeper.web.dashboard.cards import Card, DeletionsOf, Past, cards, short
from watchkeeper.web.dashboard.dashboard import Dashboard, OkSeries, QuietSeries, no_dependents
from watchkeeper.web.dashboard.hosts.host_lines import host_lines
from watchkeeper.web.dashboard.hosts.summary import HostSummary
from watchkeeper.web.dashboard.house_state import LISTED, Inside, Lines
from watchkeeper.web.events import event_log
from watchkeeper.web.events.event_log import LogRow, merged
from watchkeeper.web.events.event_text import outcome
from watchkeeper.web.http.parameters import part
from watchkeeper.web.http.problem_details import not_found, title
from watchkeeper.web.planning.planner import DELETIONS
from watchkeeper.web.templating import render

READ_FOR_EACH = 12
"""Lines that are read for each that is shown: deliveries become marks of the events that are older than they are."""


CARDS = 8
"""So many events have a card on a page over several hosts; further ones have a line."""
FOLDED = 8
"""So many lines of the time-left chart are folded on a page over several hosts."""


@dataclass(frozen=True, slots=True)
class Group:
    """Subjects that are OK for the same reason. more: how many are not listed."""

    title: str
    items: tuple[tuple[int, str, str], ...]
    more: int = 0


def group(quiet: Sequence[QuietSeries]) -> list[Group]:
    """What is OK, by the reason. A name that would appear twice is distinguished by its quantity."""
    groups = []
    for why in OkSeries:
        chosen = [q for q in quiet if q.why is why]
        names = Counter(thing(q.key, seen=q.observation) for q in chosen)
        items = [
            (
                q.series_id,
                whole_name(q.key) if names[thing(q.key, seen=q.observation)] > 1 else thing(q.key, seen=q.observation),
                dashboard_text.summary(q.observation),
            )
            for q in chosen[:LISTED]
        ]
        if items:
            groups.append(Group(why.value, tuple(items), len(chosen) - len(items)))
    return groups


def open_groups(quiet: Sequence[QuietSeries], now: datetime, zone: tzinfo) -> list[Group]:
    """What is not folded, by the reason, under its heading."""
    failing = [q for q in quiet if q.why is OkSeries.FAILING]
    high = [q for q in quiet if not growing(q) and q.why is not OkSeries.FAILING]
    groups = [replace(each, title=each.title.capitalize()) for each in group(failing)]
    groups += [replace(each, title=f"Nearly full, {each.title}") for each in group(high)]
    fast = [
        (q.series_id, thing(q.key, seen=q.observation), dashboard_text.growth_words(q, now, zone))
        for q in quiet
        if growing(q)
    ]
    return [*([Group(OkSeries.UNUSUAL.value.capitalize(), tuple(fast))] if fast else []), *groups]


def growing(quiet: QuietSeries) -> bool:
    """Does it grow unusually fast?"""
    return quiet.why is OkSeries.UNUSUAL


def whole_name(key: SeriesKey) -> str:
    """A series' subject with its quantity, even if a sentence would leave that out."""
    return f"{clean(key.subject, 44)}: {clean(key.quantity, 24)}"


async def status(request: web.Request) -> web.Response:
    """The status page; over several hosts, if there are several."""
    context = of(request)
    found = await context.dashboard()
    past = replace(await _past(context, request.app[DELETIONS].of), plans=context.hosts is None)
    troubles = context.vitals.read().troubles
    if context.hosts is None:
        return await show(request, context, found, past, troubles=troubles)
    summaries = context.summaries.of(context.hosts.known_hosts())
    return await show(request, context, found, past, summaries, troubles=troubles)


HOST = part("host", "The name of a host of this station", str, {"type": "string"})


async def host(request: web.Request) -> web.Response:
    """The status page of one host of a station: everything that is known of it."""
    every, name = of(request), HOST.given(request)
    store = None if every.hosts is None else every.hosts.one_host(name)
    if store is None:
        raise not_found(f"There is no host {clean(name, 60)} here.")
    context = replace(every, store=store, host=name, hosts=None, resting=no_dependents, facts=None)
    found = await context.dashboard()
    past = replace(await _past(context, _nothing), plans=False)
    return await show(request, context, found, past, of_station=True)


async def _nothing(_subject: str) -> Deletions | None:
    """What could be deleted on another machine is not known here."""
    return None


async def show(
    request: web.Request,
    context: Context,
    found: Dashboard,
    past: Past,
    summaries: Sequence[HostSummary] = (),
    *,
    troubles: Sequence[str] = (),
    of_station: bool = False,
) -> web.Response:
    """Draw a status page. summaries: of the hosts of a page over several. of_station: it is the page of one of them."""
    now, several = found.at, context.hosts is not None
    lately = await recent(context, STATUS_EVENTS)
    needing = await cards(found.needing[: CARDS if several else None], found, past)
    shown, folded, more = time_left.rows(found, context.zone)
    if several:  # the rest is on the pages of the hosts
        kept = folded[:FOLDED]
        folded, more = kept, more + len(folded) - len(kept) + sum(each.later for each in summaries)
    own = found.unseen[: len(found.unseen) - sum(len(each.unseen) for each in summaries)]
    return render(
        "status.html",
        context,
        now,
        viewer=viewer(request),
        verdict=dashboard_text.verdict(found, troubled=bool(troubles), mute=_mute(request), zone=context.zone),
        outcome=outcome(found.needing[0]) if found.needing else "",
        by_when=dashboard_text.by_when(found, context.zone),
        unseen_line=dashboard_text.unseen(found),
        unseen=own,
        unseen_count=len(found.unseen),
        urgent=found.urgent,
        maintenance=[maintenance_line(each, context.zone, now) for each in await _planned(context)],
        stand_ins=[stand_in.line(each, context.zone, now) for each in _stand_ins(context, now)],
        needing=[replace(each, key=named(context.host, each.key)) for each in needing] if of_station else needing,
        others=_others(found, context, CARDS if several else len(found.needing)),
        time_left=(shown, folded, more),
        axis=time_left.axis(),
        house=Inside() if several else house_state.house(found, context.resting, context.zone),
        hosts=host_lines(found, summaries, context.zone) if several else (),
        several=several,
        of_station=of_station,
        backups=Lines((), ()) if several else house_state.backups(found),
        **_quiet(found.quiet, summaries, now, context.zone),
        lately=lately,
        watched=found.watched,
        fresh=_fresh(found),
        as_json="status",
        troubles=troubles,
        mute=_mute(request),
        begun=_begun(request) if found.newest_at is None else "",
        notifiers=_notifiers(request),
        can_sign_in=request.app[SESSION_AUTH].open,
    )


async def _planned(context: Context) -> list[Maintenance]:
    """The maintenance that is under way."""
    return [each for each in await context.store.maintenance() if each.until > context.clock.now()]


def _stand_ins(context: Context, now: datetime) -> list[StandIn]:
    """Who stands in for the operator now."""
    away = () if context.facts is None else context.facts().away
    return [each for each in away if each.covers(now)]


async def _past(context: Context, deletions: DeletionsOf) -> Past:
    return Past(context, await context.store.series(), await context.store.latest(), deletions)


def _quiet(
    found: Sequence[QuietSeries], summaries: Sequence[HostSummary], now: datetime, zone: tzinfo
) -> dict[str, Any]:
    """What is OK, what is not known, and of that what is nearly full. summaries: of hosts whose rest is counted."""
    well, unknown = ([q for q in found if q.why.known is known] for known in (True, False))
    counts = Counter(q.why for q in well)
    for each in summaries:
        counts.update(each.ok)
    return {
        "well": group(well),
        "well_count": sum(counts.values()),
        "well_line": dashboard_text.well_line([(why, counts[why]) for why in OkSeries if counts[why]]),
        "unknown": group([q for q in unknown if not q.open]),
        "unclear": open_groups([q for q in unknown if q.open], now, zone),
    }


def _others(found: Dashboard, context: Context, carded: int) -> list[tuple[str, list[Card], bool]]:
    """The events that need nobody just now, under their headings; and whether they are acknowledged all at once.

    carded: so many that need somebody have a card; the others are listed first.
    """
    parts = (
        ("More that needs you", found.needing[carded:]),
        ("Acknowledged", found.known),
        (dashboard_text.aside_title(found), found.aside),
        ("Ended, not acknowledged", found.over),
    )
    return [(heading, [short(s, found, context) for s in part], part is found.over) for heading, part in parts if part]


def _notifiers(request: web.Request) -> Sequence[str]:
    """To whom messages are sent."""
    acting = request.app[SESSION_AUTH].acting
    return acting.notifiers if acting is not None else ()


PROBES = 8
"""So many probes are named before there are readings."""


def _begun(request: web.Request) -> str:
    """Which probes have begun, before there is any reading; empty if that is not known."""
    acting = request.app[SESSION_AUTH].acting
    names = [clean(each, 40) for each in acting.probes] if acting is not None else []
    more = f" and {len(names) - PROBES} more" if len(names) > PROBES else ""
    return f"Probes: {', '.join(names[:PROBES])}{more}." if names else ""


def _mute(request: web.Request) -> bool:
    """Is there nobody to send messages to?"""
    return request.app[SESSION_AUTH].acting is not None and not _notifiers(request)


def _fresh(board: Dashboard) -> str:
    """How old the newest sample is: a page that no longer updates must show it."""
    if board.newest_at is None:
        return "no reading yet"
    return f"newest reading {duration((board.at - board.newest_at).total_seconds())} old"


async def recent(context: Context, most: int) -> list[LogRow]:
    """The newest events, each with its deliveries; without what only followed from another one."""
    lines = await context.store.events(limit=READ_FOR_EACH * most)
    return merged([line for line in lines if "held by" not in line.details], {})[:most]


async def events(request: web.Request) -> web.Response:
    """The event log, newest first, a page at a time."""
    context = of(request)
    series = await context.store.series()
    before, wanted = BEFORE.of(request), event_log.asked(request)
    rows, older = await event_log.read(context, wanted, before, {s.key: s.id for s in series})
    return render(
        "events.html",
        context,
        context.clock.now(),
        viewer=viewer(request),
        days=event_log.by_day(rows, context.zone),
        older=older,
        first=before is None,
        wanted=wanted,
        kinds=[(value, words) for value, (words, _) in event_log.KINDS.items()],
        priorities=[each.word for each in Priority],
        subjects=sorted({s.key.subject for s in series}),
        as_json="events" if before is None else f"events?{urlencode({'before': before})}",
        untaken=await set_aside(context) if before is None else (),
        **(await _waiting(context) if before is None else {"waiting": (), "more_waiting": 0}),
    )


async def _waiting(context: Context) -> dict[str, Any]:
    """The messages that have not been delivered yet: those listed, and how many more there are."""
    now = context.clock.now()
    found = waiting.waiting(await context.store.deliveries(limit=SEARCHED_DELIVERIES))
    shown = [(each, waiting.why(each, now, context.zone)) for each in found[: waiting.LISTED]]
    return {"waiting": shown, "more_waiting": len(found) - len(shown)}


def error_page(request: web.Request, context: Context, status: int, detail: str) -> web.Response:
    """The page for an error, for people at a browser."""
    return render(
        "error.html",
        context,
        context.clock.now(),
        viewer=viewer(request),
        status=status,
        number=status,
        title=title(status),
        detail=detail,
    )
