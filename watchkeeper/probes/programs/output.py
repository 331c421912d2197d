"""Reads the JSON that a program of the operator prints: one observation, or a list of them. Pure, and trusts nothing.

The fields are those of model/observation.py. One invalid observation makes the whole output invalid, and the reason
says which one and why: half of what a program reports would be worse than nothing.
"""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    AliasChoices,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidationError,
)

from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import (
    OWN_SUBJECT,
    Answer,
    Condition,
    Deadline,
    Facts,
    Level,
    Observation,
    SeriesKey,
    Unit,
)
from watchkeeper.probes.support.sanitize import clip, printable

OBSERVATIONS_LIMIT = 200
"""Each becomes its own series, kept for years."""


def _line(value: str) -> str:
    return printable(" ".join(value.split()))


def _subject(value: str) -> str:
    if not value or value.startswith(OWN_SUBJECT):
        raise ValueError(f'a subject must not be empty or begin with "{OWN_SUBJECT}"')
    return value


def _instant(value: datetime) -> datetime:
    try:
        return value.astimezone(UTC)
    except OverflowError:
        raise ValueError("is beyond the calendar (year 9999)") from None


Line = Annotated[str, Field(max_length=500), AfterValidator(_line)]
Name = Annotated[str, Field(min_length=1, max_length=100), AfterValidator(_line)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Instant = Annotated[AwareDatetime, AfterValidator(_instant)]


class _Said(BaseModel):
    """The fields of every observation. subject and quantity name its series; facts are shown and never judged."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    subject: Annotated[Name, AfterValidator(_subject)]
    quantity: Name
    facts: Annotated[dict[Name, Line], Field(max_length=50)] = Field(default_factory=dict)

    @property
    def key(self) -> SeriesKey:
        return SeriesKey(self.subject, self.quantity)

    @property
    def shown_facts(self) -> Facts:
        return tuple(self.facts.items())


class _Level(_Said):
    kind: Literal["level"]
    used: Annotated[Number, Field(ge=0)]
    capacity: Annotated[Number, Field(gt=0)]
    unit: Literal["bytes", "count", "share"] = "bytes"

    def observation(self) -> Observation:
        return Level(self.key, self.used, self.capacity, Unit(self.unit), self.shown_facts)


class _Deadline(_Said):
    kind: Literal["deadline"]
    due_at: Instant
    last_at: Instant | None = None
    period_s: Annotated[Number, Field(gt=0)] | None = None

    def observation(self) -> Observation:
        return Deadline(self.key, self.due_at, self.last_at, self.period_s, self.shown_facts)


class _Answer(_Said):
    kind: Literal["answer"]
    answered: bool
    reason: Line = ""
    took_s: Annotated[Number, Field(ge=0)] | None = None

    def observation(self) -> Observation:
        return Answer(self.key, self.answered, self.reason, self.took_s, facts=self.shown_facts)


class _Condition(_Said):
    kind: Literal["condition"]
    ok: bool = Field(validation_alias=AliasChoices("ok", "sound"))  # its name in version 0.1.0: programs go on
    reason: Line = ""
    grave: bool = False

    def observation(self) -> Observation:
        return Condition(self.key, self.ok, self.reason, self.grave, self.shown_facts)


_One = Annotated[_Level | _Deadline | _Answer | _Condition, Field(discriminator="kind")]
_ALL: TypeAdapter[list[_One]] = TypeAdapter(Annotated[list[_One], Field(max_length=OBSERVATIONS_LIMIT)])


def read(output: bytes) -> Sequence[Observation]:
    """The observations in the output. Raises ProbeError that says which one is invalid, and what is allowed there."""
    text = output.strip()
    try:
        said = _ALL.validate_json(text if text.startswith(b"[") else b"[" + text + b"]")
    except ValidationError as error:
        raise ProbeError(f"its output cannot be used: {_first(error)}") from None
    observed = [each.observation() for each in said]
    keys = [each.key for each in observed]
    if len(set(keys)) < len(keys):
        twice = next(key for key in keys if keys.count(key) > 1)
        raise ProbeError(f'its output cannot be used: "{clip(str(twice))}" is in it more than once')
    return observed


def _first(error: ValidationError) -> str:
    """The first error, with its location."""
    first = error.errors(include_url=False, include_input=False)[0]
    place = [str(part) if isinstance(part, str) else f"[{part}]" for part in first["loc"]]
    where = f"{' '.join(place)}: " if place else ""
    return clip(f"{where}{first['msg']}", 200)
