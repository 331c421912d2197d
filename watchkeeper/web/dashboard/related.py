"""What is related to a subject: its dependents, and its parts that grew most. Reads the store; evaluates nothing."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from watchkeeper.alerting.top_growers import Grower, explaining, parts_of
from watchkeeper.messages.known_directories import said_of
from watchkeeper.messages.wording import amount, thing
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import OWN_SUBJECT, SeriesKey
from watchkeeper.model.records import Seen, Series
from watchkeeper.web.context import Context

STRETCHES = 30
"""A part's past is read in this many buckets; its growth is counted from the mean of the first."""


@dataclass(frozen=True, slots=True)
class RelatedSeries:
    """Another series, as a link shows it."""

    series_id: int
    name: str
    words: str = ""


def dependents(context: Context, series: Series, every: Sequence[Series]) -> list[RelatedSeries]:
    """The subjects that depend on a subject, each once, in the given order; without the probes that look at them."""
    names = dict.fromkeys(each for each in context.resting(series.key.subject) if not each.startswith(OWN_SUBJECT))
    first: dict[str, int] = {}
    for each in every:
        first.setdefault(each.key.subject, each.id)
    return [RelatedSeries(first[name], name) for name in names if name in first]


async def growers(
    context: Context, series: Series, every: Sequence[Series], latest: Sequence[Seen], finding: Finding | None
) -> list[RelatedSeries]:
    """The parts of a level that grew most since its trend began, the biggest first; none if none is known."""
    forecast = finding.forecast if finding else None
    if forecast is None or forecast.since_s is None:
        return []
    ids = {each.key: each.id for each in every}
    since, now = datetime.fromtimestamp(forecast.since_s, UTC), context.clock.now()
    units, parts = {}, dict[SeriesKey, list[Grower]]()
    for part in parts_of(series.key, (seen.observation for seen in latest)):
        past = await context.store.samples_thinned(part.key, since, now, STRETCHES) if part.key in ids else ()
        if past and part.part_of is not None:
            units[part.key] = part.unit
            parts.setdefault(part.part_of, []).append(Grower(part.key, part.used - (past[0].mean or 0.0)))
    return [
        RelatedSeries(ids[each.key], thing(each.key), f"{amount(each.growth, units[each.key])} more{said_of(each.key)}")
        for each in explaining(parts, series.key)
    ]
