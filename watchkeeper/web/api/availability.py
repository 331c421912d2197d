"""How long a service did not answer, by calendar period: the API's form and its handler."""

from datetime import datetime, timedelta, tzinfo

from aiohttp import web

from watchkeeper.alerting.rules import instant
from watchkeeper.model.history.availability import AnswerHistory, Availability, Period, availability, periods
from watchkeeper.model.observation import Kind
from watchkeeper.model.records import Series
from watchkeeper.web.api.handlers import EARLIEST, reply
from watchkeeper.web.api.json_forms import stamp
from watchkeeper.web.api.response_types import Availability as AvailabilityForm
from watchkeeper.web.api.response_types import AvailabilityList, MeasuredTime
from watchkeeper.web.context import of
from watchkeeper.web.http.parameters import Parameter, choice, moment
from watchkeeper.web.http.problem_details import Refusal

SINCE = moment("since", "From this time on; default: 30 days ago. What was before the first reading is not counted.")
SUBJECT = Parameter("subject", "query", "Only this service, by its subject.", "a subject", {"type": "string"}, str)
BY = choice(
    "by", "The calendar periods, in the time zone of the host; default: day.", tuple(each.value for each in Period)
)
USUAL = timedelta(days=30)
MOST_DAYS = 1_000
"""The most days in an answer; a service has one item for each."""


async def answers(request: web.Request) -> web.Response:
    """How long services did not answer, and how often: one, or all."""
    context = of(request)
    now, wanted = context.clock.now(), SUBJECT.of(request)
    asked = SINCE.of(request) or -USUAL
    since = max(now + asked if isinstance(asked, timedelta) else asked, EARLIEST)
    kind = Period(BY.of(request) or Period.DAY.value)
    if since >= now:
        raise Refusal(400, "since is not in the past.", {"parameter": "since", "allowed": "a time in the past"})
    if kind is Period.DAY and now - since > timedelta(days=MOST_DAYS):
        raise Refusal(
            400, f"since is more than {MOST_DAYS} days ago; ask by week.", {"parameter": "by", "allowed": "week"}
        )
    items = []
    for each in await context.store.series():
        if each.kind is Kind.ANSWER and wanted in {None, each.key.subject}:
            window = max(since, each.first_at), now
            items.append(
                availability_form(each, await context.store.answers(each, *window), window, kind, context.zone)
            )
    return reply(AvailabilityList(items=items))


def availability_form(
    series: Series, history: AnswerHistory, window: tuple[datetime, datetime], kind: Period, zone: tzinfo
) -> AvailabilityForm:
    """How long a service did not answer, in all and by calendar period; and its outages."""
    since, until = window
    return {
        "quantity_id": series.id,
        "subject": series.key.subject,
        "since": stamp(since),
        "until": stamp(until),
        "total": _availability(availability(history, since.timestamp(), until.timestamp())),
        "period": kind,
        "items": [
            {
                "first_day": first.isoformat(),
                "since": stamp(begin),
                "until": stamp(end),
                **_availability(availability(history, begin.timestamp(), end.timestamp())),
            }
            for first, begin, end in periods(kind, since, until, zone)
        ],
        "outages": [
            {
                "since": stamp(instant(each.begin_s)),
                "until": None if each.end_s is None else stamp(instant(each.end_s)),
                "no_answer_s": round(each.down_s, 3),
                "reason": each.reason,
            }
            for each in history.outages
        ],
    }


def _availability(found: Availability) -> MeasuredTime:
    return {
        "measured_s": round(found.measured_s, 3),
        "not_measured_s": round(found.not_measured_s, 3),
        "no_answer_s": round(found.down_s, 3),
        "outages": found.outages,
        "outages_at_least": found.at_least,
    }
