"""What changed on the host before an alert began, for the page."""

from collections.abc import Sequence
from datetime import UTC, datetime

from watchkeeper.messages import changes
from watchkeeper.model.alert import Alert
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import SeriesKey
from watchkeeper.web.context import Context

READ, SHOWN = 1_000, 20
"""Changes that are searched, and lines that are shown, with an alert."""


async def changed_before(
    context: Context, alert: Alert, finding: Finding | None, now: datetime
) -> Sequence[tuple[str, str]]:
    """When and what, nearest first; empty for an alert that is not active."""
    if not alert.standing or alert.raised_at is None:
        return ()
    began = alert.raised_at if finding is None else changes.began_at(finding, alert.raised_at)
    # What was seen after it began may have happened before: its first possible time decides.
    known = await context.beside(alert.key).changes(began - changes.WITHIN, began + changes.WITHIN, limit=READ)
    groups = changes.grouped(changes.before(known, began))
    return [(changes.time_of(each, context.zone, now), changes.text_of(each)) for each in groups[:SHOWN]]


DRAWN = 40
"""Changes that are drawn and listed with a chart, the newest."""


async def changed_between(
    context: Context, key: SeriesKey, since_s: float, until_s: float, now: datetime
) -> Sequence[tuple[float, str, str]]:
    """What changed in a period on the machine of a series, the newest first: when (seconds since 1970, and in words),
    and what.
    """
    since, until = (datetime.fromtimestamp(at_s, UTC) for at_s in (since_s, until_s))
    known = await context.beside(key).changes(since, until, limit=READ)
    groups = changes.grouped(sorted(known, key=lambda each: each.at, reverse=True))[:DRAWN]
    return [
        (each.newest.at.timestamp(), changes.time_of(each, context.zone, now), changes.text_of(each)) for each in groups
    ]
