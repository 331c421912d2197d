"""The handlers of the feeds: the event log for feed readers, forecasts and due dates for calendars."""

from aiohttp import web

from watchkeeper.web.context import of
from watchkeeper.web.feeds import atom, calendar

LINES = 100
"""Events in the feed: readers ask every hour or so, and keep what they have seen."""


async def events(request: web.Request) -> web.Response:
    """The newest events, as Atom."""
    context = of(request)
    path = request.path.removeprefix(context.prefix)
    body = atom.feed(await context.store.events(limit=LINES), context.host, context.prefix, path)
    return web.Response(body=body, content_type=atom.MEDIA, charset="utf-8")


async def dates(request: web.Request) -> web.Response:
    """Every forecast and due date, as iCalendar."""
    context = of(request)
    latest = {each.observation.key: each.observation for each in await context.store.latest()}
    found, now = await context.store.findings(), context.clock.now()
    body = calendar.calendar(found, context.host, context.zone, now, latest)
    return web.Response(body=body, content_type=calendar.MEDIA, charset="utf-8")
