"""The pages that are made for paper: the report of a month, and the sheet of the house."""

from datetime import date, timedelta

from aiohttp import web

from watchkeeper.messages.reports.month import month_of, monthly_report
from watchkeeper.messages.reports.sheet import HouseFacts
from watchkeeper.messages.reports.sheet import sheet as make_sheet
from watchkeeper.messages.wording import clean
from watchkeeper.web.auth.session_auth import viewer
from watchkeeper.web.context import of
from watchkeeper.web.http.parameters import Parameter
from watchkeeper.web.http.problem_details import Refusal
from watchkeeper.web.reports.gather import read_month
from watchkeeper.web.templating import render


def _read(text: str) -> date:
    found = month_of(text)
    if found is None:
        raise ValueError(text)
    return found


MONTH = Parameter(
    "month", "query", "The month to report, in the time zone of the host; default: the one before this one.",
    "a month, such as 2026-11", {"type": "string", "pattern": "^[0-9]{4}-[0-9]{2}$"}, _read,
)  # fmt: skip


async def month(request: web.Request) -> web.Response:
    """What happened in a month."""
    context = of(request)
    now = context.clock.now()
    this = now.astimezone(context.zone).date().replace(day=1)
    before = (this - timedelta(days=1)).replace(day=1)
    first = MONTH.of(request) or before
    if first > this:
        allowed = "a month that has begun"
        raise Refusal(400, f"{first:%Y-%m} has not begun.", {"parameter": MONTH.name, "allowed": allowed})
    found = await read_month(context.store, first, (clean(context.host, 60), context.zone), now)
    earlier, later = (first - timedelta(days=1)).replace(day=1), (first + timedelta(days=31)).replace(day=1)
    begun = found.known_from.astimezone(context.zone).date() if found.known_from else this
    return render(
        "report.html",
        context,
        now,
        viewer=viewer(request),
        report=monthly_report(found, context.zone),
        earlier=f"{earlier:%Y-%m}" if first > begun else "",
        later=f"{later:%Y-%m}" if later <= this else "",
    )


async def sheet(request: web.Request) -> web.Response:
    """What somebody has to know who looks after the house."""
    context = of(request)
    now = context.clock.now()
    facts = HouseFacts(context.host) if context.facts is None else context.facts()
    found = make_sheet(facts, await context.store.latest(), context.resting, context.zone, now)
    return render("sheet.html", context, now, viewer=viewer(request), report=found)
