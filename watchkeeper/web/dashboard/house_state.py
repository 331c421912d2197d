"""The state of the house in one line for each thing, also when nothing needs anyone: what is inside what, and backups.

Pure. Not here: what is inside what (house_tree.py).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from functools import partial
from typing import TypeVar

from markupsafe import Markup

from watchkeeper.messages.growth import describe
from watchkeeper.messages.wording import amount, clean, duration, share, stopped_words, thing, time_left_phrase
from watchkeeper.model.alert import CONCERN, Concern, Priority
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Unit
from watchkeeper.model.units import DAY_S
from watchkeeper.web.charts import spark
from watchkeeper.web.dashboard import dashboard_text
from watchkeeper.web.dashboard.cause_tree import DependentsOf
from watchkeeper.web.dashboard.dashboard import HIGH_SHARE, Dashboard, Item, unusual, why_ok
from watchkeeper.web.dashboard.house_tree import CONTAINER, GUEST, SERVICE, Node, build_tree

SHOWN = 8
"""So many things of one sort are shown; the rest is folded, but nothing that is not well, and no level above
HIGH_SHARE, ever is."""
T = TypeVar("T")
NAMED = 4
"""So many things of one line are named."""
SETS = ("snapshots of ", "backups of ", "guest ", "service ", "host ", "file system ", "unit ")
"""First words that are said once for several: `snapshots of hide-hub, nest-cams and tide-log`."""
LISTED = 100
"""So many lines of a folded list are sent; a house has fewer. The rest is counted, and in the page's JSON form."""


@dataclass(frozen=True, slots=True)
class Line:
    """One thing: its link, how it is, and what is said besides. bar: how full it is, if it is a level.

    Or several of which the same is said. links: them, as (series id, name). before: the words that they share. more:
    how many of them are not named.
    """

    series_id: int
    name: str
    value: str
    trend: str = ""
    bar: Markup | None = None
    well: bool = True
    links: tuple[tuple[int, str], ...] = ()
    before: str = ""
    more: int = 0

    @property
    def things(self) -> int:
        """How many things it is about."""
        return len(self.links) + self.more or 1


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines under one heading: those in the open, and those that are folded. more: how many are not listed."""

    shown: tuple[Line, ...]
    folded: tuple[Line, ...]
    more: int = 0

    @property
    def not_shown(self) -> int:
        """How many things are not in the open."""
        return sum(each.things for each in self.folded) + self.more


@dataclass(frozen=True, slots=True)
class Inside:
    """What is inside something: in the open, and folded because all of that is OK.

    fold: the words of the fold. more: how many are not listed.
    """

    shown: tuple["Branch", ...] = ()
    folded: tuple["Branch", ...] = ()
    fold: str = ""
    more: int = 0

    @property
    def lines(self) -> int:
        """How many lines are in the open."""
        return sum(1 + each.inside.lines for each in self.shown)


@dataclass(frozen=True, slots=True)
class Branch:
    """One thing of the house, and what is inside it."""

    line: Line
    inside: Inside


def _lines(found: Sequence[Callable[[], Line]], shown: int) -> Lines:
    """Lines that are made only if they are listed."""
    made = [make() for make in found[: shown + LISTED]]
    lines = _grouped(made)
    folded = tuple(replace(each, bar=None) for each in lines[shown:])
    return Lines(tuple(lines[:shown]), folded, max(len(found) - len(made), 0))


def _grouped(lines: Sequence[Line]) -> list[Line]:
    """Lines that say the same about the same sort of thing become one, where the first of them is."""
    groups: dict[object, list[Line]] = {}
    for each in lines:
        prefix = set_prefix(each.name)
        alike = (prefix, each.value, each.trend) if prefix and each.well else each.series_id
        groups.setdefault(alike, []).append(each)
    return [_one(group) for group in groups.values()]


def _one(group: Sequence[Line]) -> Line:
    if len(group) == 1:
        return group[0]
    before = set_prefix(group[0].name)
    named = named_of(group)
    links = tuple((each.series_id, each.name.removeprefix(before)) for each in named)
    return replace(group[0], links=links, before=before, more=len(group) - len(named))


def set_prefix(name: str) -> str:
    """The first words of a name that are said once for several; empty if there are none."""
    return next((each for each in SETS if name.startswith(each)), "")


def named_of(group: Sequence[T]) -> Sequence[T]:
    """Those of a group that are named: never all but one."""
    return group[:NAMED] if len(group) > NAMED + 1 else group


def house(board: Dashboard, dependents_of: DependentsOf, zone: tzinfo) -> Inside:
    """What is inside the host: stores and other levels, the fullest first; then guests, containers and services."""
    words, sorts = _Words(board, zone), [list[Node]() for _ in range(len(_OUTER) + 1)]
    for node in build_tree(board.items, dependents_of):
        sorts[_sort(node)].append(node)
    sorts[0].sort(key=_fullest)
    parts = [_apart([words.entry(each) for each in nodes], SHOWN) for nodes in sorts]
    return _inside([each for part in parts for each in part[0]], [each for part in parts for each in part[1]])


@dataclass(frozen=True, slots=True)
class _Entry:
    """A line or a node that may be listed; it is put into words only if it is.

    well: nothing is wrong with it. known: enough was read to say that it is OK.
    """

    well: bool
    known: bool
    make: Callable[[], Branch]


def _apart(entries: Sequence[_Entry], most: int) -> tuple[list[_Entry], list[_Entry]]:
    """Those that are shown (all that are not well, and the first others), and those folded: never a single one."""
    folded = [each for i, each in enumerate(entries) if i >= most and each.well]
    if len(folded) == 1:
        return list(entries), []
    return [each for i, each in enumerate(entries) if i < most or not each.well], folded


def _inside(shown: Sequence[_Entry], folded: Sequence[_Entry], how: str = "") -> Inside:
    """Put the lines of one holder into words. how: how those are that are folded, if it is not as they were read."""
    how = how or ("OK" if all(each.known for each in folded) else "no alert")
    listed = tuple(each.make() for each in folded[:LISTED])
    fold = f"{len(folded)} {'more' if shown else 'inside'}, {how}" if folded else ""
    return Inside(tuple(each.make() for each in shown), listed, fold, len(folded) - len(listed))


_OUTER = (GUEST, CONTAINER, SERVICE)
"""The sorts of things in no store, in the order in which they come; everything else goes before them."""


def _sort(node: Node) -> int:
    return next((i for i, each in enumerate(_OUTER, start=1) if node.subject.startswith(each)), 0)


def _fullest(node: Node) -> tuple[bool, float]:
    """What has something inside goes first, then the fullest."""
    levels = (each.observation for each in node.items if _is_judged_level(each))
    full = max((each.used / each.capacity for each in levels if isinstance(each, Level)), default=0.0)
    return not node.inside, -full


def _is_judged_level(item: Item) -> bool:
    seen = item.observation
    return isinstance(seen, Level) and not seen.not_judged and seen.capacity > 0


@dataclass(frozen=True, slots=True)
class _Words:
    """Puts nodes into words."""

    board: Dashboard
    zone: tzinfo

    def entry(self, node: Node) -> _Entry:
        """A node that may be listed."""
        return _Entry(self.well(node), _known(node), partial(self.branch, node))

    def branch(self, node: Node) -> Branch:
        """A node with what is inside it. Of a guest and of a container, all that is well is folded."""
        first, *others = sorted(node.items, key=_speaks)
        in_guest = node.subject.startswith((GUEST, CONTAINER))
        own = [self._own_entry(each) for each in others if self._has_line(each)]
        entries = sorted([*own, *map(self.entry, node.inside)], key=lambda each: each.well)
        shown, folded = _apart(entries, 0 if in_guest else SHOWN)
        name = thing(first.key, seen=first.observation) if _is_judged_level(first) else clean(node.subject, 44)
        line = self._line(first, name)
        beside = ", ".join(f"{clean(each.key.quantity, 24)} {_share(each)}" for each in others if self._is_beside(each))
        line = replace(line, trend="; ".join(filter(None, (line.trend, beside))))
        # What was read inside a guest before it stopped does not say that it is OK now.
        return Branch(line, _inside(shown, folded, "" if line.well or not in_guest else "as last read"))

    def _own_entry(self, item: Item) -> _Entry:
        return _Entry(
            self._item_well(item), why_ok(item.kind, item.finding, item.observation).known, partial(self._own, item)
        )

    def _own(self, item: Item) -> Branch:
        """The line of a further quantity. A level inside a guest has no bar and no trend while it is well."""
        line = self._line(item, clean(item.key.quantity, 30))
        return Branch(replace(line, bar=None, trend="") if self._item_well(item) else line, Inside())

    def well(self, node: Node) -> bool:
        """Is it OK, and everything inside it?"""
        return all(map(self._item_well, node.items)) and all(map(self.well, node.inside))

    def _has_line(self, item: Item) -> bool:
        """Does a further quantity of a subject have a line? The levels in a guest do, and whatever is not well."""
        in_guest = item.key.subject.startswith((GUEST, CONTAINER))
        return not self._item_well(item) or (in_guest and _is_judged_level(item))

    def _is_beside(self, item: Item) -> bool:
        """Is a further level only named, with how full it is?"""
        return _is_judged_level(item) and not self._has_line(item)

    def _item_well(self, item: Item) -> bool:
        if self._priority(item) is not None:
            return False
        match item.observation:
            case Level() as level:
                return level.not_judged or level.used < HIGH_SHARE * level.capacity
            case Answer() as answer:
                return answer.answered
            case Condition() as condition:
                return condition.ok
            case _:
                return True

    def _priority(self, item: Item) -> Priority | None:
        """The priority of its alert. A level that has room again keeps its alert for a while, and is none any more."""
        concern = CONCERN[item.kind]
        if concern is Concern.FULL and (item.finding is None or item.finding.priority is None):
            return None
        return self.board.priorities.get((item.key, concern))

    def _line(self, item: Item, name: str) -> Line:
        seen, well = item.observation, self._item_well(item)
        if not isinstance(seen, Level) or seen.capacity <= 0:
            return Line(item.series_id, name, _said(item, self.board, self.zone), well=well)
        part, priority = seen.used / seen.capacity, self._priority(item)
        drawn = spark.bar(part, priority.value if priority else 0)
        value = share(part) if seen.unit is Unit.SHARE else f"{share(part)} of {amount(seen.capacity, seen.unit)}"
        trend = _trend(item.finding, seen, self.board, self.zone)
        return Line(item.series_id, name, value, trend, Markup(drawn), well)  # noqa: S704  web/charts/svg.py escapes


def _known(node: Node) -> bool:
    """Was enough read of it, and of all that is inside it, to say that it is OK?"""
    return all(why_ok(each.kind, each.finding, each.observation).known for each in node.items) and all(
        map(_known, node.inside)
    )


SPEAK = frozenset({"space", "data", "state", "answer", "in use"})
"""The quantities that speak for their subject."""


def _speaks(item: Item) -> tuple[bool, bool]:
    return item.key.quantity not in SPEAK, not _is_judged_level(item)


def _share(item: Item) -> str:
    seen = item.observation
    return share(seen.used / seen.capacity) if isinstance(seen, Level) else ""


def _said(item: Item, board: Dashboard, zone: tzinfo) -> str:
    """How it is, in a few words."""
    seen = item.observation
    if isinstance(seen, Deadline) and item.finding is not None:
        return time_left_phrase(item.finding, board.at, zone, seen)
    if item.key.quantity == "state" and isinstance(seen, Condition) and seen.ok:
        return "running"
    return dashboard_text.summary(seen)


def _due(left_s: float) -> str:
    return f"due in {duration(left_s)}" if left_s >= 0 else f"overdue by {duration(-left_s)}"


def _trend(finding: Finding | None, level: Level, board: Dashboard, zone: tzinfo) -> str:
    """Where a level is going, in a few words."""
    forecast = finding.forecast if finding else None
    if finding is None or forecast is None:
        return "still learning"
    if forecast.stopped_s is not None:
        return stopped_words(forecast, forecast.stopped_s, board.at, zone)
    if forecast.no_end in {NoEnd.STILL, NoEnd.SHRINKING} and _young(forecast) and _alerted(finding, board):
        return "room again; too early to say whether it grows"
    said = time_left_phrase(finding, board.at, zone, level)
    if finding.priority is None and unusual(finding):
        return said.partition(";")[0]  # the rest is in a section of its own
    if finding.ends_at is None or finding.early:
        return said
    grows = describe(replace(forecast, cycle_s=None, steps=(), unusual=None), level.unit, zone)
    return f"{said}; {grows}" if grows else said


def _young(forecast: Forecast) -> bool:
    """Is the trend shorter than a day? Then a daily rhythm hides whether there is any growth."""
    return forecast.since_s is not None and forecast.at_s - forecast.since_s < DAY_S


def _alerted(finding: Finding, board: Dashboard) -> bool:
    """Is there an alert about it, or one that has ended and was not acknowledged?"""
    return (finding.key, Concern.FULL) in board.priorities


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
        return Line(item.series_id, thing(item.key, seen=seen), dashboard_text.summary(seen), well=False)
    left_s = (seen.due_at - board.at).total_seconds()
    old = duration((board.at - seen.last_at).total_seconds())
    return Line(item.series_id, thing(item.key, seen=seen), f"{old} old", _due(left_s), None, left_s >= 0)
