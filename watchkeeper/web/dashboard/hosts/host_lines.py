"""The hosts of the page over all of them in words: a quiet one is one line, and one with something active is open.

Pure.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from urllib.parse import quote

from watchkeeper.alerting.missing_data import is_gone
from watchkeeper.messages.wording import clean, duration, joined, share, thing, time_left_phrase
from watchkeeper.model.alert import Priority
from watchkeeper.model.hosts import BETWEEN, apart, heard_from
from watchkeeper.model.observation import SeriesKey
from watchkeeper.web.dashboard.dashboard import Dashboard, Item, OkSeries, no_dependents, why_ok
from watchkeeper.web.dashboard.hosts.summary import HostSummary, is_high, share_of
from watchkeeper.web.dashboard.house_state import Inside, house

OPEN = 8
"""So many hosts are open, those with the highest priority; further ones have a line that says what needs you."""
NAMED = 3
"""So many levels without a forecast are named in a line."""


@dataclass(frozen=True, slots=True)
class HostLine:
    """A host. path: of its page, below the prefix. value: how full its fullest level is. words: all else, in short.

    active: how many alerts need the operator. inside: what is shown below it; None for a line alone.
    """

    name: str
    path: str
    priority: Priority | None
    active: int
    value: str
    words: str
    well: bool
    inside: Inside | None = None


def host_lines(board: Dashboard, summaries: Sequence[HostSummary], zone: tzinfo) -> list[HostLine]:
    """Every host: those with something active first, by priority, then those with a level in the open, then by name."""
    by_host = _Parts.of(board, summaries)
    made = [by_host.line(each, zone) for each in summaries]
    made.sort(key=lambda each: (-(each.priority or 0), each.well, _natural(each.name)))
    opened = [each.name for each in made if not each.well][:OPEN]
    known = {each.name: each for each in summaries}
    return [
        replace(each, inside=by_host.inside(known[each.name], zone)) if each.name in opened else each for each in made
    ]


@dataclass(frozen=True, slots=True)
class _Parts:
    """The board by host. needing: alerts that need the operator. priorities: the highest of each host.

    items: what is shown, with the host's own names.
    """

    board: Dashboard
    needing: Counter[str]
    priorities: dict[str, Priority]
    items: dict[str, list[Item]]

    @classmethod
    def of(cls, board: Dashboard, summaries: Sequence[HostSummary]) -> "_Parts":
        names = {each.name for each in summaries}
        silent = {heard_from(each): each for each in names}
        needing, priorities = Counter[str](), dict[str, Priority]()
        for event in board.needing:
            for each in event.whole:
                name = silent.get(each.alert.key) or (apart(each.alert.key, names) or ("",))[0]
                if name:
                    needing[name] += 1
                    priority = each.alert.priority or Priority.CAUTION
                    priorities[name] = max(priorities.get(name, priority), priority)
        items: dict[str, list[Item]] = {}
        for item in board.items:
            if (found := apart(item.key, names)) is not None:
                items.setdefault(found[0], []).append(replace(item, key=found[1]))
        return cls(board, needing, priorities, items)

    def line(self, host: HostSummary, zone: tzinfo) -> HostLine:
        """One host in a line."""
        name, board = host.name, self.board
        active, unusual = self.needing[name], any(_unusual(each) for each in self.items.get(name, ()))
        nearly = any(is_high(each.observation) for each in self.items.get(name, ()))
        gone = [f"{clean(each.what or f'probe {each.probe}')}" for each in host.unseen]
        words = [
            f"{active} need{'s' if active == 1 else ''} you" if active else "",
            _fullest(host, board.at, zone),
            f"no forecast yet: {_some(host.unknown, name)}" if host.unknown else "",
            f"{len(gone)} not checked" if gone else "",
            f"{host.watched} monitored",
            _heard(host, board.at),
        ]
        return HostLine(
            name,
            f"hosts/{quote(name, safe='')}",
            self.priorities.get(name),
            active,
            "" if host.fullest is None else share(share_of(host.fullest)),
            "; ".join(filter(None, words)),
            well=not (active or unusual or nearly or host.heard_at is None),
        )

    def inside(self, host: HostSummary, zone: tzinfo) -> Inside:
        """What is in the open of a host: its levels and services that are not well, and what has an end ahead."""
        priorities = {
            (found[1], concern): priority
            for (key, concern), priority in self.board.priorities.items()
            if (found := apart(key, {host.name})) is not None
        }
        inner = replace(self.board, items=tuple(self.items.get(host.name, ())), priorities=priorities)
        return house(inner, no_dependents, zone)


def _natural(name: str) -> list[tuple[int, str]]:
    """The order of names in which numbers go by their value: hide 2 before hide 10."""
    parts = re.split("([0-9]+)", name)
    return [(int(each), "") if at % 2 else (-1, each) for at, each in enumerate(parts)]


def _unusual(item: Item) -> bool:
    return why_ok(item.kind, item.finding, item.observation) is OkSeries.UNUSUAL


def _fullest(host: HostSummary, now: datetime, zone: tzinfo) -> str:
    """The fullest level and its time left."""
    item = host.fullest
    if item is None:
        return "no level is monitored"
    name = thing(_own(item.key, host.name))
    if item.finding is None or is_gone(item.finding):
        return f"{name} still learning"
    return f"{name} {time_left_phrase(item.finding, now, zone, item.observation)}"


def _own(key: SeriesKey, host: str) -> SeriesKey:
    return SeriesKey(key.subject.removeprefix(f"{host}{BETWEEN}"), key.quantity)


def _some(keys: Sequence[SeriesKey], host: str) -> str:
    names = [thing(_own(each, host)) for each in keys]
    return joined(names) if len(names) <= NAMED else f"{', '.join(names[:NAMED])} and {len(names) - NAMED} more"


def _heard(host: HostSummary, now: datetime) -> str:
    if host.heard_at is None:
        return "has not written yet"
    return f"heard from {duration((now - host.heard_at).total_seconds())} ago"
