"""What a finder returns: proposed tables with the reason of each key, what there is, and what it could not read.

Records only. Not here: how they become text (toml.py, document.py), and how they are compared (diff.py).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

Plain = str | int | float | bool
Value = Plain | tuple[str, ...] | tuple[int, ...] | Mapping[str, Plain]


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table. why: the reason for its value. offered: written behind `#`, for the operator to decide."""

    name: str
    value: Value
    why: str = ""
    offered: bool = False


@dataclass(frozen=True, slots=True, order=True)
class Thing:
    """Something that exists. sort: `pool`, `guest`, `port` ...; example: a name from a set of snapshots."""

    sort: str
    name: str
    example: str = ""


@dataclass(frozen=True, slots=True)
class Proposal:
    """One table [[probe]].

    about: what it is for and what was seen, a comment each. offered: the whole table is written behind `#`.
    things: what it would monitor by name, or what must not be forgotten if it is missing.
    """

    kind: str
    keys: tuple[Key, ...] = ()
    about: tuple[str, ...] = ()
    offered: bool = False
    things: tuple[Thing, ...] = ()

    def table(self) -> dict[str, Value]:
        """The table as it would be read with every offered key enabled."""
        return {"kind": self.kind, **{key.name: key.value for key in self.keys}}

    @property
    def label(self) -> str:
        """What the configuration would call this probe."""
        return str(next((key.value for key in self.keys if key.name == "name"), "")) or self.kind

    def called(self, name: str) -> "Proposal":
        """The same with another name."""
        others = tuple(key for key in self.keys if key.name != "name")
        return replace(self, keys=(Key("name", name), *others))


@dataclass(frozen=True, slots=True)
class Unseen:
    """What could not be read. why: what prevented it. remedy: how the operator provides the privilege or tool."""

    what: str
    why: str
    remedy: str = ""

    def __str__(self) -> str:
        return f"{self.what}: {self.why.rstrip('.')}. {self.remedy}".rstrip()


@dataclass(frozen=True, slots=True)
class Found:
    """The result of one finder.

    absent: kinds that were searched for and are not here. looked: kinds of `there` that were read completely, so that
    anything missing from them is gone.
    """

    proposals: tuple[Proposal, ...] = ()
    unseen: tuple[Unseen, ...] = ()
    absent: tuple[str, ...] = ()
    there: frozenset[Thing] = field(default_factory=frozenset)
    looked: frozenset[str] = field(default_factory=frozenset)

    def __add__(self, other: "Found") -> "Found":
        return Found(
            self.proposals + other.proposals,
            self.unseen + other.unseen,
            self.absent + other.absent,
            self.there | other.there,
            self.looked | other.looked,
        )


def things(sort: str, names: Iterable[str]) -> tuple[Thing, ...]:
    """Things of one kind."""
    return tuple(Thing(sort, name) for name in names)
