"""Parameters of routes: each is one object that reads its value, rejects a bad one, and describes itself.

The same objects are in the table of routes, so what is documented is what is read.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Generic, Literal, TypeVar

from aiohttp import web

from watchkeeper.messages.wording import clean
from watchkeeper.model.units import parse_duration
from watchkeeper.web.http.problem_details import Refusal

T = TypeVar("T")

LONGEST_S = 100 * 365 * 86_400.0
"""No history is longer than this, and a calendar holds it at either end."""


@dataclass(frozen=True, slots=True)
class Parameter(Generic[T]):
    """One parameter of a route.

    read: from text to a value; raises ValueError for an invalid text. allowed: the valid values, as text.
    schema: the same as a JSON Schema. default: the value if it is left out (not for those in the path).
    required: it must be in the query. several: it may be given more than once; then `each_of` reads it.
    """

    name: str
    where: Literal["path", "query"]
    what: str
    allowed: str
    schema: Mapping[str, object]
    read: Callable[[str], T]
    default: T | None = None
    required: bool = False
    several: bool = False

    def each_of(self, request: web.Request) -> list[T]:
        """Every value in a request, in its order. Raises Refusal (400) as `of` does."""
        found = []
        for value in request.query.getall(self.name, []):
            try:
                found.append(self.read(value))
            except ValueError:
                raise self._bad(value) from None
        return found

    def of(self, request: web.Request) -> T | None:
        """The value in a request. Raises Refusal (400) that names the parameter, its value and what is allowed."""
        values = request.query.getall(self.name, [])
        if not values:
            return self.default
        if len(values) > 1:
            raise self._refusal(f"{self.name} is given {len(values)} times; give it once.")
        try:
            return self.read(values[0])
        except ValueError:
            raise self._bad(values[0]) from None

    def given(self, request: web.Request) -> T:
        """The value of a parameter that has a default or is in the path; there a bad value is a 404."""
        if self.where == "query":
            value = self.of(request)
        else:
            try:
                value = self.read(request.match_info[self.name])
            except ValueError:
                raise Refusal(404, f"There is no {self.name} {_quoted(request.match_info[self.name])}.") from None
        if value is None:
            raise TypeError(f"{self.name} has no default")
        return value

    def _bad(self, value: str) -> Refusal:
        return self._refusal(f"{self.name} cannot be {_quoted(value)}; write {self.allowed}.")

    def _refusal(self, said: str) -> Refusal:
        return Refusal(400, said, {"parameter": self.name, "allowed": self.allowed})


def _quoted(text: str) -> str:
    return f'"{clean(text, 80)}"'


def whole(name: str, what: str, low: int, high: int, default: int | None = None) -> Parameter[int]:
    """A whole number in the query, from low to high."""

    def read(text: str) -> int:
        if not (text.isascii() and text.isdecimal() and len(text) < 20 and low <= int(text) <= high):
            raise ValueError(text)
        return int(text)

    schema: dict[str, object] = {"type": "integer", "minimum": low, "maximum": high}
    if default is not None:
        schema["default"] = default
    return Parameter(name, "query", what, f"a whole number from {low} to {high}", schema, read, default)


def choice(name: str, what: str, words: tuple[str, ...], *, several: bool = False) -> Parameter[str]:
    """One of a few words in the query; or several of them."""

    def read(text: str) -> str:
        if text not in words:
            raise ValueError(text)
        return text

    schema = {"type": "string", "enum": list(words)}
    return Parameter(name, "query", what, f"one of {', '.join(words)}", schema, read, several=several)


def moment(name: str, what: str) -> Parameter[datetime | timedelta]:
    """A time in the query, or how long ago it was."""

    def read(text: str) -> datetime | timedelta:
        try:
            ago_s = parse_duration(text)
        except ValueError:
            # A plus sign that was not escaped in the address arrives as a space.
            return _instant(text.replace(" ", "+"))
        if ago_s > LONGEST_S:
            raise ValueError(text)
        return -timedelta(seconds=ago_s)

    allowed = "a time with its offset (RFC 3339), such as 2026-11-25T07:00:00Z, or how long ago, such as 36h"
    return Parameter(name, "query", what, allowed, {"type": "string"}, read)


def _instant(text: str) -> datetime:
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(text)
    try:
        return at.astimezone(UTC)
    except OverflowError:  # within a day of the calendar's first or last year
        raise ValueError(text) from None


LONGEST_TEXT = 200
"""Characters of a text in the query."""


def text(
    name: str, what: str, read: Callable[[str], T], allowed: str = f"at most {LONGEST_TEXT} characters"
) -> Parameter[T | None]:
    """A text in the query, from a field of a form: an empty one is none. read: raises ValueError or KeyError."""

    def tolerant(given: str) -> T | None:
        words = given.strip()
        if len(words) > LONGEST_TEXT:
            raise ValueError(given)
        try:
            return read(words) if words else None
        except KeyError:
            raise ValueError(given) from None

    return Parameter(name, "query", what, allowed, {"type": "string", "maxLength": LONGEST_TEXT}, tolerant)


def part(name: str, what: str, read: Callable[[str], T], schema: Mapping[str, object]) -> Parameter[T]:
    """A part of the path."""
    return Parameter(name, "path", what, what, schema, read)


def refuse_unknown(request: web.Request, known: Iterable[str]) -> None:
    """Raise Refusal (400) for a query parameter that the route does not have."""
    names = sorted(known)
    for name in request.query:
        if name not in names:
            known_here = f"the parameters are {', '.join(names)}" if names else "it takes none"
            said = f"{request.path} has no parameter {_quoted(name)}; {known_here}."
            raise Refusal(400, said, {"parameter": name, "allowed": names})
