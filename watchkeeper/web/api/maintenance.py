"""Planned maintenance: the API's form and its handler."""

from aiohttp import web

from watchkeeper.web.api.handlers import reply
from watchkeeper.web.api.json_forms import stamp
from watchkeeper.web.api.response_types import Maintenance, MaintenanceList
from watchkeeper.web.context import of


async def planned(request: web.Request) -> web.Response:
    """The maintenance that is under way."""
    context = of(request)
    now = context.clock.now()
    items: list[Maintenance] = [
        {"subject": each.subject, "since": stamp(each.since), "until": stamp(each.until), "reason": each.reason}
        for each in await context.store.maintenance()
        if each.until > now
    ]
    return reply(MaintenanceList(items=items))
