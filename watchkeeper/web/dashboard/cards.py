"""The cards of active alerts: everything that a person needs to act on one event. Reads the past of levels; decides
nothing. Not here: the order of events (dashboard.py), and the words of one alert (event_text.py).
"""

from collections.abc import Awaitable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Protocol

from markupsafe import Markup

from watchkeeper.alerting.correlation.correlation import is_down
from watchkeeper.manual.runbook import first_step, runbook
from watchkeeper.messages.deletions import Deletions
from watchkeeper.messages.wording import instant, moment, thing
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.model.records import Seen, Series
from watchkeeper.web.charts import spark
from watchkeeper.web.context import Context
from watchkeeper.web.dashboard import dashboard_text
from watchkeeper.web.dashboard.active_alert import ActiveAlert
from watchkeeper.web.dashboard.changed import changed_before
from watchkeeper.web.dashboard.dashboard import Dashboard
from watchkeeper.web.dashboard.related import growers
from watchkeeper.web.events.event_text import began_at, is_easing, outcome, since_clause, statement
from watchkeeper.web.planning.links import links

OPEN = 3
"""How many events are shown in full. Of further ones the details are folded: the first one is what to begin with."""
POINTS = 84
"""Of the picture of a week: one for every two hours."""
CHANGES = 3
"""How many changes a card shows; the subject's page has more."""
COMMANDS = 3
"""How many commands a card shows; the subject's page has all."""

TOGETHER = timedelta(minutes=1)
"""What began within this time of its cause has the cause's time."""
EASING = "The alert ends if this lasts."


@dataclass(frozen=True, slots=True)
class Branch:
    """An alert that follows from another one, in one line."""

    series_id: int | None
    subject: str
    fact: str
    holds: tuple["Branch", ...] = ()


@dataclass(frozen=True, slots=True)
class Card:
    """One event as text.

    level, bar, picture: of a level: how full it is, drawn, and its last week. when: the likely time and its range.
    growers: what grew most. first: what to do first. commands: each with what it shows. helps: what usually helps.
    plans: links to planning questions. deletions: the sets of snapshots that hold most. changed: what changed before it
    began, nearest first; more_changed: how much more. eased: it has room again, and waits for that to last. also:
    further alerts of the same subject. folded: details are folded away.
    """

    series_id: int | None
    key: SeriesKey
    concern: str
    priority: Priority | None
    subject: str
    fact: str
    reason: str
    since: str
    open: bool
    acknowledged: str = ""
    shelved: str = ""
    level: str = ""
    bar: Markup | None = None
    picture: Markup | None = None
    when: str = ""
    growers: str = ""
    first: str = ""
    commands: tuple[tuple[str, str], ...] = ()
    helps: str = ""
    plans: tuple[tuple[str, str], ...] = ()
    deletions: Deletions | None = None
    changed: tuple[tuple[str, str], ...] = ()
    more_changed: int = 0
    eased: bool = False
    also: tuple[str, ...] = ()
    outcome: str = ""
    holds: tuple[Branch, ...] = ()
    folded: bool = False


class DeletionsOf(Protocol):
    """Returns the sets of snapshots that hold most of a store."""

    def __call__(self, subject: str, /) -> Awaitable[Deletions | None]:
        """None if they are not known, or if there is nothing to delete."""
        ...


@dataclass(frozen=True, slots=True)
class Past:
    """What the cards of one page read from the store. deletions: what can be deleted on a store.

    plans: planning questions are about the machine that is shown.
    """

    context: Context
    every: Sequence[Series]
    latest: Sequence[Seen]
    deletions: DeletionsOf
    plans: bool = True


async def cards(events: Sequence[ActiveAlert], board: Dashboard, past: Past) -> list[Card]:
    """The cards of the events that need the operator, in their order."""
    return [await _card(event, board, past, folded=i >= OPEN) for i, event in enumerate(events)]


async def _card(event: ActiveAlert, board: Dashboard, past: Past, *, folded: bool) -> Card:
    made, level = short(event, board, past.context), event.observation
    key = past.context.own_key(event.alert.key)
    entry = runbook().find(event.alert.concern, key)
    down = level is not None and is_down(level)
    if is_easing(event.alert, event.finding):
        made = replace(made, first=EASING, folded=folded, eased=True)
        return await _with_level(made, event, level, past) if isinstance(level, Level) else made
    first = first_step(event.alert.concern, key, level)
    helps = entry.named(entry.helps, key) if down and not folded else ""
    changed = () if folded else tuple(await changed_before(past.context, event.alert, event.finding, event.at))
    made = replace(
        made,
        changed=changed[:CHANGES],
        more_changed=len(changed[CHANGES:]),
        first=first,
        helps=helps,
        commands=()
        if folded
        else tuple(
            (named, shows)
            for named, shows in ((entry.named(c, key), shows) for c, shows in entry.commands[:COMMANDS])
            if f"`{named}`" not in first + helps
        ),
        plans=tuple(links(key.subject)) if past.plans and event.alert.concern is Concern.FULL else (),
        when=_when(event.finding, board, past.context),
        folded=folded,
    )
    return await _with_level(made, event, level, past) if isinstance(level, Level) and level.capacity > 0 else made


async def _with_level(made: Card, event: ActiveAlert, level: Level, past: Past) -> Card:
    """How full it is, drawn; and unless the card is folded its last week, and what grew."""
    drawn = spark.bar(level.used / level.capacity, made.priority.value if made.priority and not made.eased else 0)
    made = replace(made, bar=Markup(drawn))  # noqa: S704  made by web/charts/svg.py, which escapes
    if made.folded:
        return made
    filling = event.alert.concern is Concern.FULL and not is_easing(event.alert, event.finding)
    return replace(
        made,
        picture=await _picture(event, level, past),
        growers=await _growers(event, past),
        deletions=await past.deletions(event.alert.key.subject) if filling else None,
    )


def short(event: ActiveAlert, board: Dashboard, context: Context) -> Card:
    """An event in a few lines: what it is, since when, and what follows from it."""
    alert, zone = event.alert, context.zone
    seen = event.observation
    return Card(
        event.series_id,
        alert.key,
        alert.concern.value,
        alert.priority,
        thing(alert.key, seen=seen),
        dashboard_text.fact(event, board, zone),
        dashboard_text.why(event.finding, seen, zone, alert),
        ""
        if alert.concern in dashboard_text.TELLS_SINCE and alert.standing
        else dashboard_text.since(alert, board, zone, event.finding),
        event.open,
        acknowledged=instant(alert.acknowledged_at, zone, board.at) if alert.acknowledged_at else "",
        shelved=instant(alert.shelved_until, zone, board.at) if alert.shelved(board.at) and alert.shelved_until else "",
        level=dashboard_text.summary(seen) if isinstance(seen, Level) else "",
        also=tuple(statement(each, zone) for each in event.also),
        outcome=outcome(event),
        holds=tuple(_branch(each, board, context, began_at(event)) for each in event.consequences),
    )


def _branch(event: ActiveAlert, board: Dashboard, context: Context, cause_at: datetime | None) -> Branch:
    """What follows, in one line: what the thing itself says, or what is found, and since when if not with its cause."""
    reason = dashboard_text.why(event.finding, event.observation, context.zone)
    said = reason if event.alert.concern is Concern.FAULTY and reason else _plain_fact(event, board, context)
    own_at = began_at(event)
    together = own_at is not None and cause_at is not None and abs(own_at - cause_at) < TOGETHER
    when = "" if together else since_clause(event, context.zone)
    return Branch(
        event.series_id,
        thing(event.alert.key, seen=event.observation),
        f"{said} since {when}" if when else said,
        tuple(_branch(each, board, context, own_at) for each in event.consequences),
    )


def _plain_fact(event: ActiveAlert, board: Dashboard, context: Context) -> str:
    """The fact without its time: `not answering`."""
    return dashboard_text.fact(event, board, context.zone).partition(" since ")[0].partition(" for ")[0]


def _when(finding: Finding | None, board: Dashboard, context: Context) -> str:
    """The likely time that a level is full, and its 90 % range; empty if there is none ahead."""
    if finding is None or finding.earliest_at is None or finding.ends_at is None or finding.ends_at <= board.at:
        return ""
    zone = context.zone
    likely, first = moment(finding.ends_at, zone, board.at), moment(finding.earliest_at, zone, board.at)
    if finding.latest_at is None:
        return f"Likely {likely}; not before {first} (95 %), no latest time"
    last = moment(finding.latest_at, zone, board.at)
    if first == last:
        return f"Likely {likely}"
    return f"Likely {likely}; 90 % range {_short_of(first, likely)} to {_short_of(last, likely)}"


def _short_of(other: str, named: str) -> str:
    """An instant without its day if that is the same as the one that was named: `19:46`."""
    day, _, at = other.rpartition(" ")
    return at if ":" in at and day == named.rpartition(" ")[0] else other


async def _picture(event: ActiveAlert, level: Level, past: Past) -> Markup | None:
    """The last week of a level."""
    now = event.at
    since = now - timedelta(seconds=spark.WEEK_S)
    buckets = await past.context.store.samples_thinned(event.alert.key, since, now, POINTS)
    points = [(b.start_s + b.width_s / 2, b.most) for b in buckets if b.most is not None]
    forecast = event.finding.forecast if event.finding else None
    ends = (forecast.earliest_s, forecast.likely_s, forecast.latest_s) if forecast else (None, None, None)
    name = thing(event.alert.key, seen=event.observation)
    label = f"The last 7 days of {name}, from empty to full: now {dashboard_text.summary(level)}"
    points = [*(p for p in points if p[0] < now.timestamp()), (now.timestamp(), level.used)]
    drawn = spark.spark(points, level.capacity, now.timestamp(), ends, label)
    return Markup(drawn)  # noqa: S704  made by web/charts/svg.py, which escapes


async def _growers(event: ActiveAlert, past: Past) -> str:
    series = next((each for each in past.every if each.key == event.alert.key), None)
    if series is None:
        return ""
    found = await growers(past.context, series, past.every, past.latest, event.finding)
    return ", ".join(f"{each.name} {each.words}" for each in found)
