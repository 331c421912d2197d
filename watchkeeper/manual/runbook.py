"""Reads the runbook: one Markdown file for each entry under alerts/, and alerts/index.toml with their order.

A file begins with a table of TOML between two lines of `+++` (which alerts the entry is for), and goes on as the manual
shows it. All are read when the first one is needed, and then kept: 7 ms for 78 of them, 0.14 MiB.
"""

import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from watchkeeper.messages.runbook import Runbook, RunbookEntry
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import Observation, SeriesKey

FOLDER = Path(__file__).parent / "alerts"

FENCE = "+++\n"
"""Before and after the table."""

PARTS = {
    "means": "What it means",
    "look": "Look first",
    "full": "When it is full",
    "helps": "What usually helps",
    "avoid": "Better not",
}
"""The paragraphs of an entry by its fields."""


@cache
def runbook() -> Runbook:
    """All entries. Raises OSError where a file is missing, ValueError where one cannot be read."""
    index = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))
    chapters = {each["title"]: tuple(map(_entry, each["entries"])) for each in index["chapter"]}
    return Runbook(chapters, index["caution"], index["wrong_answer"], index["snapshots"])


def first_step(concern: Concern, key: SeriesKey, seen: Observation | None) -> str:
    """What to look at first about an alert, as messages say it."""
    return runbook().first_step(concern, key, seen)


def _entry(name: str) -> RunbookEntry:
    file = FOLDER / f"{name}.md"
    try:
        return read_entry(file.read_text(encoding="utf-8"))
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(f"{file} is not a runbook entry: {error}") from error


def read_entry(text: str) -> RunbookEntry:
    """The entry that a file holds. Raises KeyError, TypeError or ValueError where a part is missing or unknown."""
    _, front, body = text.split(FENCE, 2)
    table = tomllib.loads(front)
    title, *blocks = body.strip().split("\n\n")
    return RunbookEntry(
        title=title.removeprefix("# "),
        concern=Concern(table.pop("concern")),
        about=tuple((subject, quantity) for subject, quantity in table.pop("about")),
        kinds=tuple(table.pop("kinds", ())),
        **dict(map(_part, blocks)),
        **table,
    )


def _part(block: str) -> tuple[str, Any]:
    """A field of an entry and its value, from a paragraph or from the commands."""
    if block.startswith("```"):
        return "commands", tuple(_commands(block))
    for name, lead in PARTS.items():
        if block.startswith(f"**{lead}.** "):
            return name, block.removeprefix(f"**{lead}.** ").replace("\n", " ")
    raise ValueError(f"{block.split(maxsplit=1)[0]} begins no part of it; parts are {', '.join(PARTS.values())}")


def _commands(block: str) -> Iterator[tuple[str, str]]:
    """Each command with what it shows."""
    for line in block.splitlines()[1:-1]:
        command, _, shows = line.rpartition("  # ")
        yield command.rstrip(), shows
