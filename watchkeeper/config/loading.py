"""Reads the configuration: finds the file, parses its TOML, checks it against a model, reports every problem at once.

This module does not know what is configured: the caller passes the model. Not here: the wording of an error
(config/errors/problems.py).
"""

import os
import re
import stat
import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ValidationError

from watchkeeper.config import deprecations, environment
from watchkeeper.config.errors import describe_types
from watchkeeper.config.errors.locations import Place
from watchkeeper.config.errors.partial_document import PartialDocument
from watchkeeper.config.errors.problems import FoundProblem, translate, unknown_key
from watchkeeper.config.fields import as_written
from watchkeeper.config.paths import config_places
from watchkeeper.config.secrets import Secrets, check
from watchkeeper.errors import ConfigError, Problem, SecretUnreadable
from watchkeeper.os_errors import remedy

M = TypeVar("M", bound=BaseModel)

LARGEST_DOCUMENT_BYTES = 1024 * 1024
"""Thousands of probes fit. Reading must end, even if the path is wrong, such as /dev/zero."""

NO_FILE = "the configuration"
"""What errors call a document that came from no file."""

ROUNDS = 5
"""How often a document is looked at: whole, without its wrong keys, without its wrong tables, without what its tables
do not agree about, and once more for what that had hidden."""

_TABLE = re.compile(r"\('[^)]*\)")
"""How tomllib names a table: `('page',)`."""

_KEY = re.compile(r"'([^']*)'")

_AT = re.compile(r" \(at (line \d+, column \d+|end of document)\)$")


@dataclass(frozen=True, slots=True)
class Loaded(Generic[M]):
    """A configuration and its source. path: None if there was no file. warnings: one sentence each."""

    settings: M
    path: Path | None
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Document:
    """A document as it was read. path: None if there was no file; it is then empty."""

    tables: Mapping[str, Any]
    path: Path | None = None
    text: str = ""

    def check(self, model: type[M], secrets: Secrets) -> Loaded[M]:
        """Check it against a model. Raises ConfigError with every problem found."""
        return check_document(model, self.tables, secrets, self.path, self.text)


KEY_PARTS = 100
"""Of a dotted key; the longest that means anything has four."""

_LONG_KEY = re.compile(rf"""(?<![\w."'-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){{{KEY_PARTS}}}""")
"""Possessive, and only from the beginning of a key: its time grows with the length of the text."""


def find(path: Path | None) -> Document:
    """Read the document at `path`, else at the first default place that has one. Raises ConfigError."""
    found = path if path is not None else next((p for p in config_places() if _there(p)), None)
    if found is None:
        return Document({})
    text = read_text(found)
    return Document(parse(text, str(found)), found, text)


def load(model: type[M], path: Path | None, *, secrets: Secrets) -> Loaded[M]:
    """Find the document, and check it; without one, use the defaults.

    secrets: whether to check that each can be read. Raises ConfigError with every problem found.
    """
    return find(path).check(model, secrets)


def check_document(
    model: type[M], document: Mapping[str, Any], secrets: Secrets, path: Path | None = None, text: str = ""
) -> Loaded[M]:
    """Check the document `text`, which was read from `path`. Raises ConfigError with every problem found."""
    today = deprecations.translate(document, text)
    settings, found, warnings = _look(model, today.document, secrets)
    wrong = [FoundProblem(*each) for each in (*today.found, *environment.outdated(os.environ))]
    wrong += [FoundProblem(today.place(one.keys), one.what, one.may_pass) for one in found]
    if wrong or settings is None:
        kind = SecretUnreadable if wrong and all(one.may_pass for one in wrong) else ConfigError
        raise kind(NO_FILE if path is None else str(path), _problems(wrong, document, text))
    return Loaded(settings, path, tuple(warnings))


def read(path: Path) -> dict[str, Any]:
    """A TOML document. Raises ConfigError that states what is wrong and where."""
    return parse(read_text(path), str(path))


def read_text(path: Path) -> str:
    """The text of a document. Raises ConfigError that states what is wrong and where."""
    try:
        if not stat.S_ISREG(path.stat().st_mode) and not path.is_dir():  # a pipe may wait without end
            raise ConfigError(str(path), [Problem("", "it is not a regular file; name a configuration file")])
        with path.open("rb") as file:
            raw = file.read(LARGEST_DOCUMENT_BYTES + 1)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "the path holds a NUL character"
        usual = "name an existing file"
        to_do = remedy(error, usual) if isinstance(error, OSError) else usual
        raise ConfigError(str(path), [Problem("", f"it cannot be read: {why}; {to_do}")]) from None
    if len(raw) > LARGEST_DOCUMENT_BYTES:
        raise ConfigError(str(path), [Problem("", "it is longer than 1 MiB; name a configuration file")])
    return _text(raw, str(path))


def _text(raw: bytes, source: str) -> str:
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ConfigError(source, [Problem(f"line {line}", "it is not UTF-8 text; save it as UTF-8")]) from None


def parse(text: str, source: str) -> dict[str, Any]:
    """Parse a TOML document. Raises ConfigError with line and column."""
    if _LONG_KEY.search(text):  # the parser takes a time that grows with the square of the parts
        raise ConfigError(source, [Problem("", f"a key has more than {KEY_PARTS} parts; remove the dots")])
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ConfigError(source, [Problem("", "it is nested too deeply to be read")]) from None
    except ValueError as error:  # TOMLDecodeError, and numbers that int() refuses (over 4,300 digits)
        said = str(error)
        at = _AT.search(said)
        what = _AT.sub("", said) if isinstance(error, tomllib.TOMLDecodeError) else "a number has too many digits"
        what = _TABLE.sub(lambda found: "[" + ".".join(_KEY.findall(found[0])) + "]", what)
        place = at.group(1) if at else ""
        raise ConfigError(source, [Problem(place, f"this is not TOML: {what[:1].lower()}{what[1:]}")]) from None


def _there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:  # a folder on the path may not be entered
        return False


def _look(
    model: type[M], document: Mapping[str, Any], secrets: Secrets
) -> tuple[M | None, list[FoundProblem], list[str]]:
    """Check a document, and then its valid parts alone if some are not, so that all problems are reported at once.

    Returns the settings of the valid parts (None: there are none), all problems, and the warnings.
    """
    fields = describe_types.fields_of(model)
    # A settings model takes keys as arguments, and some that begin with an underscore control it.
    wrong = [FoundProblem((key,), unknown_key(key, fields, whole=True)) for key in document if key not in fields]
    draft = PartialDocument({key: value for key, value in document.items() if key in fields})
    for turn in range(ROUNDS):
        try:
            settings = model(**as_written(draft.document()))
        except ValidationError as error:
            found = [FoundProblem(draft.original(one.keys), one.what) for one in translate(error, model)]
            wrong += found if not turn else _not_touching(wrong, found)
            draft.leave_out((one.keys for one in found), tables=turn > 0)
            continue
        unreadable, warnings = check(settings, secrets)
        wrong += [FoundProblem(draft.original(keys), why, may_pass=passes) for keys, why, passes in unreadable]
        return settings, wrong, warnings
    return None, wrong, []


def _not_touching(wrong: Iterable[FoundProblem], found: Iterable[FoundProblem]) -> list[FoundProblem]:
    """The problems found at a place that is neither inside nor around a place that is already wrong.

    At the others the error only appears because that part was removed.
    """
    places = {one.keys for one in wrong}
    above = {keys[:depth] for keys in places for depth in range(len(keys) + 1)}
    return [one for one in found if one.keys not in above and not _in_one_of(one.keys, places)]


def _in_one_of(keys: Place, places: Collection[Place]) -> bool:
    return any(keys[:depth] in places for depth in range(len(keys) + 1))


def _problems(wrong: Sequence[FoundProblem], document: Mapping[str, Any], text: str) -> list[Problem]:
    variables = environment.variables(os.environ)
    order = _Order()
    ordered = sorted(wrong, key=lambda one: tuple(order.ranks(one.keys, document)))
    return [one.problem(document, variables, text) for one in ordered]


class _Order:
    """The order of places in a document. Caches the order of each table, because one may hold thousands of keys."""

    def __init__(self) -> None:
        self._known: dict[int, dict[str, int]] = {}

    def ranks(self, keys: Place, document: Any) -> Iterator[int]:  # noqa: ANN401  what TOML holds
        """A place's rank, step by step; missing parts sort after existing ones."""
        for key in keys:
            if isinstance(key, int):
                yield key
                document = document[key] if isinstance(document, list) and key < len(document) else None
            elif isinstance(document, dict):
                yield self._positions(document).get(key, len(document))
                document = document.get(key)
            else:
                yield 0

    def _positions(self, table: dict[str, Any]) -> dict[str, int]:
        if id(table) not in self._known:
            self._known[id(table)] = {key: number for number, key in enumerate(table)}
        return self._known[id(table)]
