"""The form of an entry, and which alerts it is for. Not here: the entries."""

import shlex
from dataclasses import dataclass

from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import SeriesKey


@dataclass(frozen=True, slots=True)
class RunbookEntry:
    """What to do when one kind of alert is raised.

    title: what the operator sees. kinds: the probes that can raise it; empty for any.
    about: the series it is for, as (subject, quantity); a star at the end matches any continuation.
    means: what it means, and what happens if nothing is done.
    look: the first thing to look at, as the message says it. {name} is the thing's own name, quoted for a shell.
    commands: what to run, each with what it shows; {name} as in `look`, sudo if it needs root.
    helps: what usually helps. avoid: what makes it worse.
    example: replaces {name} in the manual.
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

    @property
    def anchor(self) -> str:
        """The name by which the entry is linked to: the one that Markdown renderers give a heading."""
        return "".join(sign for sign in self.title.lower().replace(" ", "-") if sign.isalnum() or sign == "-")

    def is_for(self, concern: Concern, key: SeriesKey) -> bool:
        """Is this the entry for an alert?"""
        return concern is self.concern and any(
            _fits(subject, key.subject) and _fits(quantity, key.quantity) for subject, quantity in self.about
        )

    def first_look(self, key: SeriesKey) -> str:
        """The first thing to look at, with the name of the thing."""
        return self.named(self.look, key)

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
