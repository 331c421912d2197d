"""The pages that are made for paper: the report of a month, and the sheet of the house."""

from datetime import date, timedelta

from aiohttp import web

from watchkeeper.messages.reports.month import Month, month_of, monthly_report
from watchkeeper.messages.reports.report import Report
from watchkeeper.messages.reports.sheet import HouseFacts
from watchkeeper.messages.reports.sheet import sheet as make_sheet
from watchkeeper.messages.wording import clean
from watchkeeper.web.api import response_types as forms
from watchkeeper.web.api.handlers import reply
from watchkeeper.web.auth.session_auth import viewer
from watchkeeper.web.context import Context, of
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
    found = await _month(request)
    first, this = found.first_day, _this_month(context)
    earlier, later = (first - timedelta(days=1)).replace(day=1), (first + timedelta(days=31)).replace(day=1)
    begun = found.known_from.astimezone(context.zone).date() if found.known_from else this
    return render(
        "report.html",
        context,
        context.clock.now(),
        viewer=viewer(request),
        report=monthly_report(found, context.zone),
        earlier=f"{earlier:%Y-%m}" if first > begun else "",
        later=f"{later:%Y-%m}" if later <= this else "",
        as_json=f"report?month={first:%Y-%m}",
    )


async def month_as_json(request: web.Request) -> web.Response:
    """The same as JSON."""
    return reply(_form(monthly_report(await _month(request), of(request).zone)))


async def sheet(request: web.Request) -> web.Response:
    """What somebody has to know who looks after the house."""
    context = of(request)
    report, now = await _sheet(context), context.clock.now()
    return render("sheet.html", context, now, viewer=viewer(request), report=report, as_json="sheet")


async def sheet_as_json(request: web.Request) -> web.Response:
    """The same as JSON."""
    return reply(_form(await _sheet(of(request))))


def _this_month(context: Context) -> date:
    return context.clock.now().astimezone(context.zone).date().replace(day=1)


async def _month(request: web.Request) -> Month:
    """The month that is asked for. Raises Refusal (400) if it has not begun."""
    context = of(request)
    this = _this_month(context)
    first = MONTH.of(request) or (this - timedelta(days=1)).replace(day=1)
    if first > this:
        allowed = "a month that has begun"
        raise Refusal(400, f"{first:%Y-%m} has not begun.", {"parameter": MONTH.name, "allowed": allowed})
    return await read_month(context.store, first, (clean(context.host, 60), context.zone), context.clock.now())


async def _sheet(context: Context) -> Report:
    facts = HouseFacts(context.host) if context.facts is None else context.facts()
    return make_sheet(facts, await context.store.latest(), context.resting, context.zone, context.clock.now())


def _form(report: Report) -> forms.Report:
    sections: list[forms.ReportSection] = [
        {"heading": each.heading, "lines": list(each.lines), "more": each.more} for each in report.sections
    ]
    return {
        "title": report.title,
        "headline": report.headline,
        "remarks": list(report.remarks),
        "sections": sections,
    }
