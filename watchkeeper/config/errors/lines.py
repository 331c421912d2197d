"""The line of a document on which a key is: the parser of TOML tells none.

A candidate is only believed if the document with that very key renamed has the new name at the key's place.
"""

import re
import tomllib
from collections.abc import Iterator
from typing import Any

from watchkeeper.config.errors.locations import Place

LONGEST = 64 * 1024
"""Characters of a document that is searched: each candidate is parsed again."""
MOST_TRIED = 40
"""Candidates that are tried: so many lines with the same key."""
_MARK = "line_of_this_key"


def line_of(text: str, keys: Place) -> int | None:
    """The line of a key, counted from 1; of the table that should have it, if it is missing; None if not known."""
    while keys and len(text) <= LONGEST:
        names = [key for key in keys if isinstance(key, str)]
        if not names:
            return None
        if isinstance(keys[-1], str) and (found := _line_of_key(text, keys)) is not None:
            return found
        if isinstance(keys[-1], int) and (found := _line_of_table(text, str(names[-1]), keys)) is not None:
            return found
        keys = keys[:-1]
    return None


def _line_of_key(text: str, keys: Place) -> int | None:
    name = str(keys[-1])
    # As a key before its value, or as the last part of a table's header.
    key = re.compile(
        rf"""^[ \t]*(?:\[+[ \t]*)?(?:[\w"'-]+[ \t]*\.[ \t]*)*(["']?{re.escape(name)}["']?)(?=[ \t]*[=\]])"""
    )
    for number, place in _candidates(text, key):
        if _has(_parsed(text[: place[0]] + _MARK + text[place[1] :]), (*keys[:-1], _MARK)):
            return number
    return None


def _line_of_table(text: str, name: str, keys: Place) -> int | None:
    """The header of one of several tables, such as the second [[probe]]; or the list that holds a value."""
    if len(keys) != 2 or keys[0] != name:
        return _line_of_key(text, keys[:-1]) if isinstance(keys[-2], str) else None
    header = re.compile(rf"""^[ \t]*\[\[[ \t]*(["']?{re.escape(name)}["']?)[ \t]*\]\]""")
    found = list(_candidates(text, header))
    index, document = keys[1], _parsed(text)
    tables = document.get(name) if document else None
    if isinstance(index, int) and isinstance(tables, list) and len(tables) == len(found) and index < len(found):
        return found[index][0]
    return _line_of_key(text, keys[:-1])


def _candidates(text: str, pattern: re.Pattern[str]) -> Iterator[tuple[int, tuple[int, int]]]:
    """Each line on which it may be, with the place of the name in the text."""
    start, tried = 0, 0
    for number, line in enumerate(text.splitlines(keepends=True), 1):
        if (found := pattern.match(line)) is not None and tried < MOST_TRIED:
            tried += 1
            yield number, (start + found.start(1), start + found.end(1))
        start += len(line)


def _parsed(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):
        return None


def _has(document: Any, keys: Place) -> bool:  # noqa: ANN401  what TOML holds
    for key in keys:
        try:
            document = document[key]
        except (KeyError, IndexError, TypeError):
            return False
    return True
