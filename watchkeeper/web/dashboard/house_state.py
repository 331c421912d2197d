"""The state of the house in one line for each thing, also when nothing needs anyone: levels, guests, backups. Pure."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from functools import partial

from markupsafe import Markup

from watchkeeper.messages.growth import describe
from watchkeeper.messages.wording import amount, clean, duration, share, thing, time_left_phrase
from watchkeeper.model.alert import Concern
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, SeriesKey, Unit
from watchkeeper.model.units import DAY_S
from watchkeeper.web.charts import spark
from watchkeeper.web.dashboard import dashboard_text
from watchkeeper.web.dashboard.dashboard import HIGH_SHARE, Dashboard, Item, unusual

SHOWN = 8
"""So many levels, guests and sets are shown; the rest is folded, but no level above HIGH_SHARE ever is."""
LISTED = 100
"""So many lines of a folded list are sent; a house has fewer. The rest is counted, and in the page's JSON form."""
GUEST, SERVICE = "guest ", "service "


@dataclass(frozen=True, slots=True)
class Line:
    """One thing: its link, how it is, and what is said besides. bar: how full it is, if it is a level."""

    series_id: int
    name: str
    value: str
    trend: str = ""
    bar: Markup | None = None
    well: bool = True


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines under one heading: those in the open, and those that are folded."""

    shown: tuple[Line, ...]
    folded: tuple[Line, ...]
    more: int = 0


def _lines(found: Sequence[Callable[[], Line]], shown: int) -> Lines:
    """Lines that are made only if they are listed."""
    made = [make() for make in found[: shown + LISTED]]
    folded = tuple(replace(each, bar=None) for each in made[shown:])
    return Lines(tuple(made[:shown]), folded, max(len(found) - len(made), 0))


def levels(board: Dashboard, zone: tzinfo) -> Lines:
    """Each store's level and trend, the fullest first."""
    found = [
        (item, item.observation)
        for item in board.items
        if isinstance(item.observation, Level)
        and item.observation.part_of is None
        and not item.observation.not_judged
        and item.observation.capacity > 0
    ]
    ordered = sorted(found, key=lambda each: (-each[1].used / each[1].capacity, each[0].key))
    shown = max(SHOWN, sum(seen.used >= HIGH_SHARE * seen.capacity for _, seen in ordered))
    return _lines([partial(_level, item, seen, board, zone) for item, seen in ordered], shown)


def _level(item: Item, seen: Level, board: Dashboard, zone: tzinfo) -> Line:
    part = seen.used / seen.capacity
    # A level that has room again keeps its alert for a while, and is no alarm any more.
    calls = item.finding is not None and item.finding.priority is not None
    priority = board.priorities.get((item.key, Concern.FULL)) if calls else None
    drawn = spark.bar(part, priority.value if priority else 0)
    return Line(
        item.series_id,
        thing(item.key),
        share(part) if seen.unit is Unit.SHARE else f"{share(part)} of {amount(seen.capacity, seen.unit)}",
        _trend(item.finding, seen, board, zone),
        Markup(drawn),  # noqa: S704  made by web/charts/svg.py, which escapes
        part < HIGH_SHARE,
    )


def _trend(finding: Finding | None, level: Level, board: Dashboard, zone: tzinfo) -> str:
    """Where a level is going, in a few words."""
    forecast = finding.forecast if finding else None
    if finding is None or forecast is None:
        return "still learning"
    if forecast.no_end in {NoEnd.STILL, NoEnd.SHRINKING} and _young(forecast) and _alerted(finding, board):
        return "room again; too early to say whether it grows"
    said = time_left_phrase(finding, board.at, zone, level)
    if finding.ends_at is None or (finding.priority is None and unusual(finding)):
        return said
    grows = describe(replace(forecast, cycle_s=None, steps=(), unusual=None), level.unit, zone)
    return f"{said}; {grows}" if grows else said


def _young(forecast: Forecast) -> bool:
    """Is the trend shorter than a day? Then a daily rhythm hides whether there is any growth."""
    return forecast.since_s is not None and forecast.at_s - forecast.since_s < DAY_S


def _alerted(finding: Finding, board: Dashboard) -> bool:
    """Is there an alert about it, or one that has ended and was not acknowledged?"""
    return (finding.key, Concern.FULL) in board.priorities


def guests(board: Dashboard) -> Lines:
    """Each guest with its service: whether it runs, and how fast it answers."""
    by_key = {item.key: item for item in board.items}
    states = (item for item in board.items if item.key.quantity == "state" and item.key.subject.startswith(GUEST))
    return _lines([partial(_guest, item, by_key) for item in states], SHOWN)


def _guest(item: Item, by_key: Mapping[SeriesKey, Item]) -> Line:
    name = item.key.subject.removeprefix(GUEST)
    service = by_key.get(SeriesKey(f"{SERVICE}{name}", "answer"))
    answer = dashboard_text.summary(service.observation) if service else ""
    seen = item.observation
    well = isinstance(seen, Condition) and seen.ok
    ok = well and (service is None or (isinstance(service.observation, Answer) and service.observation.answered))
    said = "running" if well else dashboard_text.summary(seen)
    return Line(item.series_id, clean(name, 44), said, answer, None, ok)


def backups(board: Dashboard) -> Lines:
    """Each set of snapshots or backups, and everything else that must happen again: how old, and when it is due."""
    found = [
        partial(_backup, item, item.observation, board)
        for item in board.items
        if isinstance(item.observation, Deadline) and item.observation.period_s is not None
    ]
    return _lines(found, SHOWN)


def _backup(item: Item, seen: Deadline, board: Dashboard) -> Line:
    if seen.last_at is None or seen.due_at is None:
        return Line(item.series_id, thing(item.key), dashboard_text.summary(seen), well=False)
    left_s = (seen.due_at - board.at).total_seconds()
    due = f"due in {duration(left_s)}" if left_s >= 0 else f"overdue by {duration(-left_s)}"
    old = duration((board.at - seen.last_at).total_seconds())
    return Line(item.series_id, thing(item.key), f"{old} old", due, None, left_s >= 0)
