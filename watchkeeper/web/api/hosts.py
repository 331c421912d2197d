"""The hosts of a page over several: the API's form and its handler."""

from aiohttp import web

from watchkeeper.web.api.handlers import reply
from watchkeeper.web.api.json_forms import key_form, stamp
from watchkeeper.web.api.response_types import Host, HostLevel, HostList
from watchkeeper.web.context import of
from watchkeeper.web.dashboard.dashboard import Item
from watchkeeper.web.dashboard.hosts.host_lines import HostLine, host_lines
from watchkeeper.web.dashboard.hosts.summary import HostSummary, share_of


async def hosts(request: web.Request) -> web.Response:
    """Every host, in the order of the page."""
    context = of(request)
    if context.hosts is None:
        return reply(HostList(items=[]))
    found, summaries = await context.dashboard(), context.summaries.of(context.hosts.known_hosts())
    known = {each.name: each for each in summaries}
    lines = host_lines(found, summaries, context.zone)
    return reply(HostList(items=[_host(known[each.name], each) for each in lines]))


def _host(host: HostSummary, line: HostLine) -> Host:
    return {
        "name": host.name,
        "heard_from_at": stamp(host.heard_at),
        "monitored_quantities": host.watched,
        "newest_reading_at": stamp(host.newest_at),
        "ok_quantities": sum(host.ok.values()),
        "needing": line.active,
        "priority": line.priority.word if line.priority else None,
        "not_observed_count": len(host.unseen),
        "without_forecast": [key_form(each, {}) for each in host.unknown],
        "fullest": None if host.fullest is None else _level(host.fullest),
    }


def _level(item: Item) -> HostLevel:
    ends_at = item.finding.ends_at if item.finding else None
    return {
        **key_form(item.key, {item.key: item.series_id}),
        "used_share": round(share_of(item), 4),
        "expected_at": stamp(ends_at),
    }
