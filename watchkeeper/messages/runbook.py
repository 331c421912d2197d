"""What to do when an alert is raised: the form of an entry, and which alerts it is for. Pure.

Messages have the first step, the page and the manual all of an entry. The texts are files under manual/alerts/, which
manual/runbook.py reads. Not here: durations and instants (wording.py), and reading files.
"""

import shlex
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import Answer, Level, Observation, SeriesKey

WITH_SNAPSHOTS = frozenset({"btrfs", "zfs", "bcachefs"})
"""Types of file systems that have snapshots of their own."""

FirstStep = Callable[[Concern, SeriesKey, Observation | None], str]
"""What to look at first, of an alert and the newest observation: one or two sentences."""


@dataclass(frozen=True, slots=True)
class RunbookEntry:
    """What to do when one kind of alert is raised.

    Commands are in backticks and safe to paste: a name is quoted, and left out if it holds unprintable characters.

    title: what the operator sees. kinds: the probes that can raise it; empty for any.
    about: the series it is for, as (subject, quantity); a star at the end matches any continuation.
    means: what it means, and what happens if nothing is done.
    look: the first thing to look at, as the message says it. {name} is the thing's own name, quoted for a shell.
    commands: what to run, each with what it shows; {name} as in `look`, sudo if it needs root.
    helps: what usually helps. avoid: what makes it worse.
    example: replaces {name} in the manual.
    full: what to do first when nothing is left, instead of `look`; empty if that is the same.
    stand_in: replaces it in a message if the name cannot be printed on a line.
    """

    title: str
    concern: Concern
    about: tuple[tuple[str, str], ...]
    means: str
    look: str
    commands: tuple[tuple[str, str], ...]
    helps: str
    avoid: str
    kinds: tuple[str, ...] = ()
    example: str = ""
    stand_in: str = "NAME"
    full: str = ""

    @property
    def anchor(self) -> str:
        """The name by which the entry is linked to: the one that Markdown renderers give a heading."""
        return "".join(sign for sign in self.title.lower().replace(" ", "-") if sign.isalnum() or sign == "-")

    def is_for(self, concern: Concern, key: SeriesKey) -> bool:
        """Is this the entry for an alert?"""
        return concern is self.concern and any(
            _fits(subject, key.subject) and _fits(quantity, key.quantity) for subject, quantity in self.about
        )

    def first_look(self, key: SeriesKey, seen: Observation | None = None) -> str:
        """The first thing to look at, or to do when nothing is left, with the name of the thing."""
        left = not isinstance(seen, Level) or seen.used < seen.capacity
        return self.named(self.look if left or not self.full else self.full, key)

    def named(self, text: str, key: SeriesKey) -> str:
        """A text of the entry, or one of its commands, with the name of the thing."""
        return text.replace("{name}", self._name(key))

    def _name(self, key: SeriesKey) -> str:
        """The thing's own name: the subject without the prefix that says what kind of thing it is."""
        pattern = next((subject for subject, _ in self.about if _fits(subject, key.subject)), "*")
        name = key.subject.removeprefix(pattern.removesuffix("*"))
        return shlex.quote(name) if name.isprintable() else self.stand_in


def _fits(pattern: str, text: str) -> bool:
    return text.startswith(pattern[:-1]) if pattern.endswith("*") else text == pattern


@dataclass(frozen=True, slots=True)
class Runbook:
    """All entries.

    chapters: in the order of the manual. The last one has an entry for each concern, so that there always is one.
    caution: applies to every entry. wrong_answer: the first step if a service that counts as not answering does answer.
    snapshots: added to it about a file system that can have them.
    """

    chapters: Mapping[str, tuple[RunbookEntry, ...]]
    caution: str
    wrong_answer: str
    snapshots: str

    @property
    def entries(self) -> tuple[RunbookEntry, ...]:
        """Those of all chapters."""
        return tuple(entry for chapter in self.chapters.values() for entry in chapter)

    def find(self, concern: Concern, key: SeriesKey) -> RunbookEntry:
        """The first entry that is for an alert."""
        return next(entry for entry in self.entries if entry.is_for(concern, key))

    def first_step(self, concern: Concern, key: SeriesKey, seen: Observation | None) -> str:
        """One or two sentences that name the first thing to look at, with the command that shows it if there is one."""
        if concern is Concern.NOT_ANSWERING and isinstance(seen, Answer) and seen.took_s is not None:
            return self.wrong_answer
        look = self.find(concern, key).first_look(key, seen)
        if concern is Concern.FULL and isinstance(seen, Level) and dict(seen.facts).get("type") in WITH_SNAPSHOTS:
            return f"{look} {self.snapshots}"
        return look
