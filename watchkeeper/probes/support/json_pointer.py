"""JSON Pointer (RFC 6901): finds one value in a JSON document, and compares values as JSON does.

Pure. Not here: how a document is fetched or read.
"""

import re
from typing import TypeAlias

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"

_BAD_ESCAPE = re.compile(r"~(?![01])")
_INDEX = re.compile(r"0|[1-9][0-9]*")


class NoSuchValue(LookupError):
    """The pointer refers to no value in this document; the text says where resolving stopped."""


def parse_pointer(text: str) -> tuple[str, ...]:
    """The reference tokens of a pointer, unescaped (RFC 6901, section 4). Raises ValueError that says what is allowed.

    The empty pointer has no tokens: it refers to the whole document.
    """
    if text and not text.startswith("/"):
        raise ValueError(f"{text!r} is not a JSON Pointer (RFC 6901): begin with /, such as /status")
    if _BAD_ESCAPE.search(text):
        raise ValueError(f"{text!r} is not a JSON Pointer (RFC 6901): write ~0 for ~ and ~1 for /")
    # ~1 first: ~01 means ~1, and must not become a slash.
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in text.split("/")[1:])


def resolve(document: Json, tokens: tuple[str, ...]) -> Json:
    """The value that the tokens refer to. Raises NoSuchValue."""
    value = document
    for depth, token in enumerate(tokens):
        try:
            value = _step(value, token)
        except (KeyError, IndexError):
            raise NoSuchValue("/" + "/".join(tokens[: depth + 1])) from None
    return value


def _step(value: Json, token: str) -> Json:
    if isinstance(value, dict):
        return value[token]
    # No leading zeros. "-" (the element after the last) never exists when a document is read.
    if isinstance(value, list) and _INDEX.fullmatch(token) and len(token) < 10:
        return value[int(token)]
    raise KeyError(token)


def same(one: Json, other: Json) -> bool:
    """Whether two values are equal as JSON: numbers by value (1 is 1.0), but true is not 1, at any depth."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    return isinstance(one, bool) == isinstance(other, bool) and one == other
