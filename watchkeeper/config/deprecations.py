"""Keys of earlier versions: a document that still has one is refused with its line and the exact edit to make.

A key that is renamed or removed gets its row in MOVES with the version that did it. The operator's file is never
changed. Not here: how a key that was never known is reported (config/errors/problems.py).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from watchkeeper.config.errors import describe_types
from watchkeeper.config.errors.locations import Place, is_secret

ANY = "*"
"""In a row's place: any kind of probe or notifier."""


@dataclass(frozen=True, slots=True)
class RenamedKey:
    """A key that has another name or table. to: its new place; since: the version that moved it."""

    to: tuple[str, ...]
    since: str


@dataclass(frozen=True, slots=True)
class RemovedKey:
    """A key that has no successor. why: a clause, with what to do instead if there is something."""

    why: str
    since: str


Moves = Mapping[tuple[str, ...], RenamedKey | RemovedKey]
"""By the place of the old key; below a list of tables the kind stands for the table: ("probe", "http", "url")."""

MOVES: Moves = {}
"""No key has been renamed or removed since 0.1.0, the first version."""


def edit(keys: Place, document: Mapping[str, Any], text: str, moves: Moves | None = None) -> str:
    """The edit that the operator has to make for a key that is no longer known; empty for any other key."""
    place = _named(keys, document)
    general = tuple(ANY if number == 1 and isinstance(keys[1], int) else key for number, key in enumerate(place))
    known = MOVES if moves is None else moves
    move = known.get(place) or known.get(general)
    if move is None:
        return ""
    at = line_of(keys, text)
    where = f"line {at}" if at else "its place"
    if isinstance(move, RemovedKey):
        return f"was removed in {move.since}: {move.why}; take out {where}"
    new = move.to[-1]
    if move.to[:-1] in (place[:-1], general[:-1]):
        return f"was renamed in {move.since}; in {where} write {new} instead of {keys[-1]}"
    value = _value(keys, document)
    shown = " with its value" if is_secret(str(keys[-1])) or value is None else f" = {describe_types.written(value)}"
    table = ".".join(move.to[:-1])
    under = f"under [{table}]" if table else "before the first table"
    return f"was moved in {move.since}; take it out of {where} and write {new}{shown} {under}"


def _named(keys: Place, document: Mapping[str, Any]) -> tuple[str, ...]:
    """A place in which a table of a list is named by its kind instead of its number."""
    if len(keys) < 2 or not isinstance(keys[1], int):
        return tuple(map(str, keys))
    table = _value(keys[:2], document)
    kind = table.get("kind", "") if isinstance(table, dict) else ""
    return (str(keys[0]), str(kind), *map(str, keys[2:]))


def _value(keys: Place, document: Any) -> Any:  # noqa: ANN401  what TOML holds
    for key in keys:
        try:
            document = document[key]
        except (KeyError, IndexError, TypeError):
            return None
    return document


_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")


def line_of(keys: Place, text: str) -> int | None:
    """The line in which a key or a table is written; None if it cannot be determined (a key of an inline table)."""
    table: Place = ()
    counted: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.match(line):
            table = _table(header[1], _parts(header[2]), counted)
            if table == keys:
                return number
        elif (found := _KEY.match(line)) and (*table, *_parts(found[1])) == keys:
            return number
    return None


def _table(bracket: str, names: tuple[str, ...], counted: dict[str, int]) -> Place:
    """The place of the table with this header; the tables of a list are counted by name."""
    first = names[0]
    if bracket == "[[":
        counted[first] = counted.get(first, -1) + 1
    return (first, counted[first], *names[1:]) if first in counted else names


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in _PART.findall(dotted))
