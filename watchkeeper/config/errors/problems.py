"""Turns pydantic's errors into problems that the operator can act on: place in the document, value, remedy.

A value that may be a secret is never repeated. Not here: what a field accepts, in words (describe_types.py).
"""

import difflib
import re
import typing
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from json import dumps
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from watchkeeper.config.environment import BETWEEN, PREFIX, Keys
from watchkeeper.config.errors import describe_types
from watchkeeper.config.errors.lines import line_of
from watchkeeper.config.errors.locations import ErrorLocation, Place, cut, format_location, location
from watchkeeper.config.fields import Switch
from watchkeeper.errors import Problem

SEVERAL = "several_problems"
"""Type of the error that holds problems of several places of one document."""

_USER_IN_A_URL = re.compile(r"//[^\s'\"]*@")
_QUERY_OF_A_URL = re.compile(r"(//[^\s'\"?]*)\?[^\s'\"]+")
_ORDINALS = {1: "st", 2: "nd", 3: "rd"}


def several(found: Sequence[tuple[Place, str]]) -> PydanticCustomError:
    """An error for a validator of the whole document that found problems at several places."""
    return PydanticCustomError(SEVERAL, "{count} places", {"count": len(found), "found": tuple(found)})


def shown(value: Any) -> str:  # noqa: ANN401  what TOML holds
    """A value as an error repeats it: on one line, cut short, without the parts of a URL that may be secret."""
    match value:
        case dict():
            return "a table"
        case list() | tuple():
            return "a list"
        case str():
            return dumps(cut(without_secrets(value)), ensure_ascii=not value.isprintable())
        case _:
            return cut(describe_types.written(value))


def without_secrets(text: str) -> str:
    """A text without the parts of its URLs that may be secret: the user information and the query."""
    return _QUERY_OF_A_URL.sub(r"\1?...", _USER_IN_A_URL.sub("//...@", text))


def whose(document: Mapping[str, Any], keys: Place) -> str:
    """Which of several tables a place is in: `the 2nd [[probe]], "hide-hub"`; empty for any other place."""
    if len(keys) < 2 or not isinstance(keys[1], int):
        return ""
    table, index = str(keys[0]), keys[1]
    try:
        item = document[table][index]
    except (KeyError, IndexError, TypeError):
        return ""
    if not isinstance(item, dict):
        return ""
    name, kind = item.get("name"), item.get("kind")
    called = f", {shown(name)}" if name and isinstance(name, str) else ""
    called = called or (f", of kind {shown(kind)}" if kind and isinstance(kind, str) else "")
    return f"the {_ordinal(index + 1)} [[{table}]]{called}"


def _ordinal(number: int) -> str:
    teens = number % 100 in (11, 12, 13)
    return f"{number}{'th' if teens else _ORDINALS.get(number % 10, 'th')}"


@dataclass(frozen=True, slots=True)
class FoundProblem:
    """A problem and its location as keys, from which the document order is derived.

    may_pass: it may be gone at the next start although nobody changes the document.
    """

    keys: Place
    what: str
    may_pass: bool = False

    def problem(self, document: Mapping[str, Any], variables: Mapping[Keys, str], text: str = "") -> Problem:
        """The problem as it is reported. variables: places that the environment set. text: the document's."""
        variable = variables.get(tuple(str(key) for key in self.keys))
        if variable:
            return Problem(format_location(self.keys), self.what, f"from ${variable}")
        line = line_of(text, self.keys) or 0
        return Problem(format_location(self.keys), self.what, whose(document, self.keys), line)


def translate(error: ValidationError, model: type[BaseModel]) -> list[FoundProblem]:
    """Every problem of a validation, in pydantic's order; one that is reported twice at one place appears once."""
    merged: dict[Place, list[str]] = {}
    for keys, what in _each(error, model):
        merged.setdefault(keys, []).append(what)
    return [FoundProblem(keys, "; or: ".join(dict.fromkeys(said))) for keys, said in merged.items()]


def _each(error: ValidationError, model: type[BaseModel]) -> Iterator[tuple[Place, str]]:
    found = [(location(model, each["loc"]), each) for each in error.errors(include_url=False)]
    at_place = Counter(at.keys for at, _ in found)
    at_or_in = Counter(at.keys[:depth] for at, _ in found for depth in range(len(at.keys) + 1))
    for at, each in found:
        if each["type"] == SEVERAL:
            yield from each["ctx"]["found"]
        elif each["type"].startswith("union_tag"):
            yield (*at.keys, "kind"), _what(each, at)
        elif _is_said_inside(each, at_or_in[at.keys] > at_place[at.keys]):
            continue
        elif not _meant_for_another(each, at_place[at.keys] > 1, at_or_in[at.keys] > 1):
            yield at.keys, _what(each, at)


def _is_said_inside(error: ErrorDetails, more_inside: bool) -> bool:  # noqa: FBT001  it is plain
    """Whether a list is wrong only in its entries, which have errors of their own.

    pydantic counts an entry with an error as missing: a list that is long enough as it is written is not too short.
    """
    if not (more_inside and isinstance(error["input"], list)):
        return False
    return error["type"] == "too_short" and len(error["input"]) >= error["ctx"]["min_length"]


def _meant_for_another(error: ErrorDetails, more_here: bool, more_inside: bool) -> bool:  # noqa: FBT001  both are plain
    """Whether a union's member raised this error about a value that was meant for another member.

    A table is meant for the member that is a table, which complains about its keys; any other value is not.
    """
    wants_table = error["type"] in _WANTS_A_TABLE
    if isinstance(error["input"], dict):
        return not wants_table and error["type"].endswith("_type") and more_inside
    return wants_table and more_here


_WANTS_A_TABLE = frozenset({"model_type", "model_attributes_type", "dict_type"})


def _what(error: ErrorDetails, at: ErrorLocation) -> str:
    """What is wrong and what is allowed, in one or two clauses."""
    return _WORDS.get(error["type"], _unlike)(error, at)


def _unlike(error: ErrorDetails, at: ErrorLocation) -> str:
    """The value is not of the type that the field accepts."""
    value = error["input"]
    if at.secret:
        return f"{describe_types.what_it_is(value)} is not allowed here; write {describe_types.allowed(at.annotation)}"
    is_type = error["type"].endswith(("_type", "_parsing", "_attributes_type"))
    said = (
        f"{shown(value)} is {describe_types.what_it_is(value)}"
        if is_type and not isinstance(value, list | dict)
        else ""
    )
    if isinstance(value, list) and describe_types.allowed(at.annotation).startswith("a list"):
        return f"its entries are not allowed; write {describe_types.allowed(at.annotation)}"
    said = said or (f"{shown(value)} is not allowed here" if is_type else f"{shown(value)} is not allowed")
    return f"{said}; write {describe_types.allowed(at.annotation)}"


def _out_of_range(error: ErrorDetails, at: ErrorLocation) -> str:
    """A number beyond a limit, shown as it is written in the document."""
    ((name, limit),) = error["ctx"].items()
    beyond = f"{_BOUNDS[name]} {describe_types.written(limit, at.annotation)}"
    return f"{shown(error['input'])} is out of range; write {describe_types.kind_words(at.annotation)}, {beyond}"


_BOUNDS = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}


def _no_file(error: ErrorDetails, _at: ErrorLocation) -> str:
    return f"{shown(str(error['input']))} is not an existing file; write the path of one"


def _missing(_error: ErrorDetails, at: ErrorLocation) -> str:
    return f"is missing; write {describe_types.allowed(at.annotation)}"


def _unknown_key(_error: ErrorDetails, at: ErrorLocation) -> str:
    fields = describe_types.fields_of(at.owner) if at.owner else ()
    return unknown_key(str(at.keys[-1]), fields, whole=len(at.keys) == 1)


def unknown_key(key: str, known: Iterable[str], *, whole: bool = False) -> str:
    """A key that the table does not have: suggests the nearest one, else lists all of them.

    whole: it is a key of the document itself; then its first word may be the name of a table.
    """
    known, (table, _, rest) = list(known), key.partition("_")
    if whole and table in known and rest and not difflib.get_close_matches(key, known, n=1, cutoff=0.9):
        variable = f"{PREFIX}{table}{BETWEEN}{rest}".upper()
        return f"is not a known key; did you mean {rest} in [{table}], as a variable {variable}?"
    return f"is not a known key; {_nearest(key, known, 'the keys here are')}"


SYNONYMS: Mapping[str, tuple[str, ...]] = {
    "every": ("interval", "period", "frequency", "schedule", "each"),
    "timeout": ("time_limit", "wait"),
    "host": ("server", "hostname", "address", "ip"),
    "server": ("host", "hostname", "address", "ip"),
    "url": ("address", "link", "uri", "target"),
    "user": ("username", "login"),
    "password": ("pass", "passwd"),
    "to": ("recipients", "recipient", "receivers"),
    "from": ("sender",),
    "template": ("body", "text", "format"),
    "exclude": ("ignore", "leave_out", "skip", "without", "except"),
    "only": ("include", "paths", "mounts"),
    "at_least": ("level", "priority", "minimum", "severity"),
    "depends_on": ("needs", "requires", "after", "rests_on"),
    "max_age": ("age", "maximum_age"),
    "run": ("command", "exec", "program"),
    "time_zone": ("timezone", "zone", "tz"),
}
"""Keys, and the words that people write for them: where a table has the key, it is suggested."""


def _nearest(word: str, known: Iterable[str], otherwise: str, quote: Callable[[str], str] = str) -> str:
    words_here = list(known)
    meant = [key for key in words_here if word.lower() in SYNONYMS.get(key, ())]
    near = meant or difflib.get_close_matches(word.lower(), words_here, n=1)
    return f"did you mean {quote(near[0])}?" if near else f"{otherwise} {', '.join(map(quote, words_here))}"


def _kinds(at: ErrorLocation) -> list[str]:
    """The kinds that a table of a union may have."""
    models = (describe_types.model_of(one) for one in describe_types.members_of(describe_types.bare(at.annotation)))
    return [str(tag) for one in models if one for tag in typing.get_args(one.model_fields["kind"].annotation)]


def _unknown_kind(error: ErrorDetails, at: ErrorLocation) -> str:
    kind, known = error["input"].get("kind"), _kinds(at)
    near = difflib.get_close_matches(str(kind).lower(), known, n=1)
    hint = f"did you mean {dumps(near[0])}? " if near else ""
    return f"{shown(kind)} is not a known kind; {hint}{'The' if near else 'the'} kinds are {', '.join(known)}"


def _no_kind(_error: ErrorDetails, at: ErrorLocation) -> str:
    return f"has no kind; write kind = one of {', '.join(map(dumps, _kinds(at)))}"


def _raised(error: ErrorDetails, at: ErrorLocation) -> str:
    """An error from a validator, without the parts of its text that repeat a possible secret."""
    said, value = str(error["ctx"]["error"]) or "not allowed", error["input"]
    if at.secret:
        return _without(said, _leaves(value))
    said = without_secrets(said)
    if not isinstance(value, str | int | float | Switch):
        return said
    if isinstance(value, str) and (quoted := repr(without_secrets(value))) in said:
        return said.replace(quoted, shown(value), 1)
    if isinstance(value, str) and said.startswith((f'"{value}"', shown(value))):
        return said
    if said.startswith(("not ", "longer ")):
        return f"{shown(value)} is {said}"
    return f"{shown(value)} {said}" if said.startswith(_PREDICATES) else f"{shown(value)}: {said}"


_PREDICATES = ("is ", "holds ", "begins ")
"""Texts that begin so continue a sentence whose subject is the value."""


def _without(said: str, leaves: Iterable[str]) -> str:
    """A text without the given words. Words shorter than three characters are not secrets, and would cut into words."""
    for leaf in sorted(leaves, key=len, reverse=True):
        if len(leaf) > 2:
            said = re.sub(rf"(?<!\w){re.escape(leaf)}(?!\w)", "...", said)
    return said


def _leaves(value: Any) -> set[str]:  # noqa: ANN401  what TOML holds
    """Every text in a value, in each form in which it is repeated. The keys of a table are not secrets."""
    if isinstance(value, Mapping):
        return {leaf for one in value.values() for leaf in _leaves(one)}
    if isinstance(value, list | tuple):
        return {leaf for one in value for leaf in _leaves(one)}
    text = str(value)
    return {text, repr(text)[1:-1], dumps(text)[1:-1]}


_WORDS: dict[str, Callable[[ErrorDetails, ErrorLocation], str]] = {
    "missing": _missing,
    "path_not_file": _no_file,
    "greater_than": _out_of_range,
    "greater_than_equal": _out_of_range,
    "less_than": _out_of_range,
    "less_than_equal": _out_of_range,
    "extra_forbidden": _unknown_key,
    "union_tag_invalid": _unknown_kind,
    "union_tag_not_found": _no_kind,
    "value_error": _raised,
}
