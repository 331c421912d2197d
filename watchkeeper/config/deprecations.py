"""Keys of earlier versions: a document that still has one is refused with its line and the exact edit to make.

A key, a table or a kind that is renamed or removed gets its row in MOVES with the version that did it. The operator's
file is never changed. Not here: how a key that was never known is reported (config/errors/problems.py).
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from watchkeeper.config.errors.locations import Place

ANY = "*"
"""In a row's place: any kind of probe or notifier."""

Names = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Renamed:
    """A key, table or kind that has another name at the same place. since: the version that renamed it."""

    to: str
    since: str


@dataclass(frozen=True, slots=True)
class Removed:
    """A key or table that has no successor. why: a clause, with what to do instead if there is something."""

    why: str
    since: str


Moves = Mapping[Names, Renamed | Removed]
"""By place: the tables around the key as they are named now, then its old name. Below a list of tables the kind names
the table: ("probe", "http", "url"); a row ("probe", "http") renames the kind itself."""


def _renamed(since: str, rows: Mapping[str, str]) -> dict[Names, Renamed | Removed]:
    """Rows that are written as `probe.*.rests_on`: `depends_on`."""
    return {tuple(old.split(".")): Renamed(new, since) for old, new in rows.items()}


_EXCLUDING = [
    "filesystems",
    "zfs",
    "zfs-snapshots",
    "lvm",
    "lvm-snapshots",
    "btrfs",
    "btrfs-snapshots",
    "raid",
    "smart",
    "guests",
    "units",
    "temperatures",
    "after-reboot",
]
"""Built-in kinds with a key `exclude`. Another package's kind may have a key leave_out of its own."""

MOVES: Moves = {
    **_renamed(
        "0.2.0",
        {
            "store.journal": "events",
            "store.gone": "forget_after",
            "store.most": "max_size",
            "rules.full.lasting": "min_history",
            "rules.silent": "not_answering",
            "rules.unsound": "faulty",
            "rules.faulty.grave_priority": "failed_priority",
            "rules.stale": "not_reporting",
            "together": "grouping",
            "grouping.settle": "recovery_time",
            "alive": "heartbeat",
            "probe.*.rests_on": "depends_on",
            "probe.*.rules.full.lasting": "min_history",
            "probe.*.rules.silent": "not_answering",
            "probe.*.rules.unsound": "faulty",
            "probe.*.rules.faulty.grave_priority": "failed_priority",
            "probe.*.rules.stale": "not_reporting",
            **{f"probe.{kind}.leave_out": "exclude" for kind in _EXCLUDING},
            "probe.itself": "self-check",
            "probe.self-check.held_up_limit": "loop_lag_limit",
            "probe.zfs.promise_limit": "overcommit_limit",
            "probe.zfs-snapshots.of": "datasets",
            "probe.zfs-snapshots.called": "name_pattern",
            "probe.lvm.promise_limit": "overcommit_limit",
            "probe.lvm-snapshots.of": "volumes",
            "probe.lvm-snapshots.called": "name_pattern",
            "probe.btrfs-snapshots.of": "filesystems",
            "probe.btrfs-snapshots.called": "name_pattern",
            "probe.echo": "ping",
            "probe.ping.questions": "requests",
            "probe.guests.starting": "boot_grace",
            "probe.guests.passing_limit": "transient_limit",
            "probe.clock.starting": "boot_grace",
            "probe.device.flapping_times": "returns_limit",
            "probe.device.flapping_within": "returns_within",
            "probe.returned": "after-reboot",
            "probe.after-reboot.starting": "boot_grace",
            "probe.after-reboot.settled": "min_uptime",
            "probe.after-reboot.shortly": "max_downtime",
            "probe.after-reboot.told_for": "report_for",
            "probe.checkin": "job",
            "probe.command.prints": "format",
        },
    ),
}


@dataclass(frozen=True, slots=True)
class Translated:
    """A document in today's names.

    found: each old key at its place in the original document, with the edit to make. original: the place of each
    renamed key or table in today's document -> its place in the original one.
    """

    document: dict[str, Any]
    found: Sequence[tuple[Place, str]]
    original: Mapping[Place, Place]

    def place(self, keys: Place) -> Place:
        """Map a place in today's document to its place in the original one."""
        for depth in range(len(keys), 0, -1):
            if keys[:depth] in self.original:
                return (*self.original[keys[:depth]], *keys[depth:])
        return keys


def translate(document: Mapping[str, Any], text: str, moves: Moves | None = None) -> Translated:
    """Find every old key of a document, which was read from `text`, and give it today's name."""
    walk = _Walk(MOVES if moves is None else moves, text)
    return Translated(walk.table(document, (), (), ((),)), walk.found, walk.original)


def successor(keys: Names, moves: Moves | None = None) -> tuple[Names | None, str]:
    """Today's place of a key outside any list of tables, and the version that renamed it; that is "" if none did.

    The place is None if the key was removed.
    """
    known = MOVES if moves is None else moves
    now: Names = ()
    since = ""
    for key in keys:
        move = known.get((*now, key))
        if isinstance(move, Removed):
            return None, move.since
        now, since = (*now, move.to if move else key), move.since if move else since
    return now, since


@dataclass(slots=True)
class _Walk:
    """One pass through a document. names: every way in which a row of the table may name the place."""

    moves: Moves
    text: str
    found: list[tuple[Place, str]] = field(default_factory=list)
    original: dict[Place, Place] = field(default_factory=dict)

    def table(self, table: Mapping[str, Any], before: Place, now: Place, names: Sequence[Names]) -> dict[str, Any]:
        """Translate a table. before, now: its place in the original document, and in today's."""
        out: dict[str, Any] = {}
        for key, value in table.items():
            move = self._move(names, key)
            name = self._today((*before, key), move, table)
            if name is None:
                continue
            if name != key:
                self.original[*now, name] = (*before, key)
            inner = tuple((*each, name) for each in names)
            out[name] = self._value(value, (*before, key), (*now, name), inner)
        return out

    def _move(self, names: Sequence[Names], key: str) -> Renamed | Removed | None:
        return next((self.moves[*each, key] for each in names if (*each, key) in self.moves), None)

    def _today(self, keys: Place, move: Renamed | Removed | None, table: Mapping[str, Any]) -> str | None:
        """Today's name of a key; None if it has none, or if that is set too."""
        match move:
            case None:
                return str(keys[-1])
            case Removed():
                self.found.append((keys, f"was removed in {move.since}: {move.why}; take out {self._lines(keys)}"))
                return None
            case Renamed() if move.to in table:
                merge = "move its keys there, and take out" if isinstance(table[str(keys[-1])], dict) else "take out"
                said = f"was renamed to {move.to} in {move.since}, which is set too; {merge} {self._lines(keys)}"
                self.found.append((keys, said))
                return None
            case _:
                self._renamed(keys, move.since, str(keys[-1]), move.to)
                return move.to

    def _renamed(self, keys: Place, since: str, old: str, new: str) -> None:
        self.found.append((keys, f"was renamed in {since}; in {self._lines(keys)} write {new} instead of {old}"))

    def _value(self, value: Any, before: Place, now: Place, names: Sequence[Names]) -> Any:  # noqa: ANN401  what TOML holds
        if isinstance(value, dict):
            return self.table(value, before, now, names)
        if isinstance(value, list) and len(before) == 1:
            return [self._item(each, (*before, number), (*now, number)) for number, each in enumerate(value)]
        return value

    def _item(self, item: Any, before: Place, now: Place) -> Any:  # noqa: ANN401  what TOML holds
        """One table of a list of tables, which the rows name by its kind."""
        if not isinstance(item, dict):
            return item
        kind, general = item.get("kind"), (str(now[0]), ANY)
        if not isinstance(kind, str):
            return self.table(item, before, now, (general,))
        move = self.moves.get((str(now[0]), kind))
        if isinstance(move, Renamed):
            self._renamed((*before, "kind"), move.since, f'"{kind}"', f'"{move.to}"')
            item = {**item, "kind": move.to}
        return self.table(item, before, now, ((str(now[0]), str(item["kind"])), general))

    def _lines(self, keys: Place) -> str:
        """The lines that hold a key, in words: `line 4`, `lines 4 and 6`."""
        numbers = [str(each) for each in lines_of(keys, self.text)]
        if len(numbers) < 2:
            return f"line {numbers[0]}" if numbers else "its place"
        return f"lines {', '.join(numbers[:-1])} and {numbers[-1]}"


_NO_CODE = re.compile(
    r'"""(?:\\.|[^\\])*?"""|' r"'''.*?'''|" r'(?P<kept>"(?:\\.|[^"\\\n])*"|' r"'[^'\n]*')|#[^\n]*", re.DOTALL
)
"""Comments and texts of several lines, whose lines may look like keys; also texts of one line, which may be keys."""
_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*$")
_KEY = re.compile(r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")


def lines_of(keys: Place, text: str) -> list[int]:
    """The lines in which a key or a table is named; those of the table around it if it is in an inline table."""
    written = list(_written(text))
    for depth in range(len(keys), 0, -1):
        around = keys[:depth]
        if found := [number for number, table, place in written if len(table) < depth and place[:depth] == around]:
            return found
    return []


def _written(text: str) -> Iterator[tuple[int, Place, Place]]:
    """Each line with a header or a key: its number, the place of the table that it is in, and its own place."""
    table: Place = ()
    counted: dict[str, int] = {}
    code = _NO_CODE.sub(lambda found: found["kept"] or "\n" * found[0].count("\n"), text)
    for number, line in enumerate(code.splitlines(), 1):
        if header := _HEADER.match(line):
            table = _table(header[1], _parts(header[2]), counted)
            yield number, (), table
        elif found := _KEY.match(line):
            yield number, table, (*table, *_parts(found[1]))


def _table(bracket: str, names: Names, counted: dict[str, int]) -> Place:
    """The place of the table with this header; the tables of a list are counted by name."""
    first = names[0]
    if bracket == "[[":
        counted[first] = counted.get(first, -1) + 1
    return (first, counted[first], *names[1:]) if first in counted else names


def _parts(dotted: str) -> Names:
    return tuple(part.strip("\"'") for part in _PART.findall(dotted))
