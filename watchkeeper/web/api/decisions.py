"""Why something was or was not sent: the API's form and its handler."""

from datetime import timedelta

from aiohttp import web

from watchkeeper.model.operator.decision import Decision
from watchkeeper.web.api.handlers import EARLIEST, ids, reply
from watchkeeper.web.api.json_forms import Ids, key_form, stamp
from watchkeeper.web.api.response_types import Decision as DecisionForm
from watchkeeper.web.api.response_types import DecisionList
from watchkeeper.web.context import of
from watchkeeper.web.http.parameters import Parameter, moment
from watchkeeper.web.http.problem_details import Refusal

SUBJECT = Parameter(
    "subject", "query", "The subject, such as a pool or a service.", "a subject", {"type": "string"}, str, required=True
)
SINCE = moment("since", "From this time on; default: 14 days ago. Older reasons are deleted.")
USUAL = timedelta(days=14)


async def decisions(request: web.Request) -> web.Response:
    """Why something was or was not sent about a subject, oldest first."""
    context, subject = of(request), SUBJECT.of(request)
    if subject is None:
        raise Refusal(400, "subject is missing.", {"parameter": "subject", "allowed": SUBJECT.allowed})
    now, asked = context.clock.now(), SINCE.of(request) or -USUAL
    since = max(now + asked if isinstance(asked, timedelta) else asked, EARLIEST)
    found = await context.store.decisions(subject, since)
    known = await ids(context)
    return reply(DecisionList(items=[decision_form(each, known) for each in found]))


def decision_form(decision: Decision, known: Ids) -> DecisionForm:
    """A decision of the rules, or of the routes of a message."""
    return {
        **key_form(decision.key, known),
        "concern": decision.concern,
        "at": stamp(decision.at),
        "steps": list(decision.steps),
        "message_id": decision.message or None,
        "headline": decision.headline or None,
        "notifiers": [
            {
                "notifier": each.notifier,
                "not_sent_because": each.refusal or None,
                "held_until": stamp(each.held_until),
            }
            for each in decision.choices
        ],
    }
