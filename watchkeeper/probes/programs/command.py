"""Runs a program of the operator: it prints observations, as JSON or as a single number.

It runs in a thread that can be abandoned, and is ended with every process it started when its time is up. What its
JSON may contain is in output.py.
"""

import math
from collections.abc import Sequence
from functools import partial
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from watchkeeper.config.types import Duration, ProbeSettings, Size
from watchkeeper.errors import PrivilegeMissing, ProbeError, ProbeTimeout, ToolMissing
from watchkeeper.model.observation import Condition, Facts, Level, Observation, SeriesKey, Unit
from watchkeeper.model.units import format_duration, format_size
from watchkeeper.os_errors import explained
from watchkeeper.privileged import process as running
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.programs import output as command_output
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.tools import ABANDON_S


def _words(value: tuple[str, ...]) -> tuple[str, ...]:
    if not value or not value[0].startswith("/"):
        raise ValueError(
            'the first word must be the absolute path of the program, such as ["/usr/local/bin/tide-gauge", "-q"]'
        )
    if any("\0" in word for word in value):
        raise ValueError("holds a NUL character; take it out")
    return value


class CommandSettings(ProbeSettings):
    """A program of your own: it prints observations as JSON, or a single number."""

    kind: Literal["command"] = "command"
    name: str = Field(min_length=1, max_length=100, description="name of what it measures")
    every: Duration = Field(300.0, description="time between runs")
    timeout: Duration = Field(30.0, description="time after which the program is stopped, with all that it started")
    run: Annotated[tuple[str, ...], AfterValidator(_words)] = Field(
        description="absolute path of the program, and its arguments; no shell interprets them"
    )
    format: Literal["observations", "number"] = Field(
        "observations", description='"observations": JSON; "number": one number, which the keys below describe'
    )
    ok_status: tuple[Annotated[int, Field(ge=0, le=255)], ...] = Field(
        (0,), min_length=1, description="exit statuses with which it ran well, such as [0, 1] for grep -c"
    )
    quantity: str = Field("number", min_length=1, max_length=100, description="what the number is, in one or two words")
    unit: Literal["bytes", "count", "share"] = Field("count", description="unit of the number")
    capacity: float | None = Field(
        None, gt=0, allow_inf_nan=False, description="maximum of the number, which makes it a level that is forecast"
    )
    at_least: float | None = Field(None, allow_inf_nan=False, description="a smaller number is faulty")
    at_most: float | None = Field(None, allow_inf_nan=False, description="a larger number is faulty")
    max_output: Size = Field(64 * 1024, le=2**20, description="maximum size of its output")

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        judged = (self.capacity, self.at_least, self.at_most)
        if self.format == "observations" and any(limit is not None for limit in judged):
            raise ValueError('capacity, at_least and at_most need format = "number"; JSON has its own')
        if self.format == "number" and all(limit is None for limit in judged):
            raise ValueError("a number needs a capacity (a level), or at_least or at_most (a condition)")
        if self.capacity is not None and (self.at_least is not None or self.at_most is not None):
            raise ValueError("a number has a capacity (a level), or at_least and at_most (a condition), not both")
        return self


class CommandProbe(BaseProbe):
    """Runs one program and reads what it prints."""

    def __init__(self, settings: CommandSettings, bench: ProbeContext) -> None:
        self._settings, self._workers = settings, bench.workers

    async def observe(self) -> Sequence[Observation]:
        """Run it once. Raises ProbeError if it cannot be run, fails, or prints anything but what is expected."""
        output = await self._run()
        if self._settings.format == "observations":
            return command_output.read(output)
        return self._numbers(_number(output))

    async def _run(self) -> bytes:
        settings, program = self._settings, clip(self._settings.run[0])
        work = partial(running.run, settings.run, settings.timeout, limit_bytes=settings.max_output)
        try:
            ran = await self._workers.call(f"program of {settings.name}", work, settings.timeout + ABANDON_S)
        except PermissionError as error:
            raise PrivilegeMissing(f"this user may not run {program}; check its mode and owner") from error
        except OSError as error:
            if isinstance(error, ProbeError):
                raise
            raise ProbeError(f"{program} cannot be run: {explained(error)}") from error
        return _output(ran, program, settings)

    def _numbers(self, number: float) -> list[Observation]:
        """A level, or a condition and the number itself, so that its history is kept."""
        settings, key = self._settings, SeriesKey(self._settings.name, self._settings.quantity)
        if settings.capacity is not None:
            if number < 0:
                raise ProbeError(f"{clip(settings.run[0])} printed {number:g}; a level must be 0 or more")
            return [Level(key, number, settings.capacity, Unit(settings.unit))]
        facts: Facts = ((settings.quantity, f"{number:g}"),)
        judged = Condition(key, not (reason := self._why_not(number)), reason, facts=facts)
        return [judged, *self._measured(number)]

    def _measured(self, number: float) -> list[Observation]:
        """The number against a limit above 0, the upper one if it has both: charted, judged by the condition alone."""
        settings = self._settings
        limits = (("at most", settings.at_most), ("at least", settings.at_least))
        words, bound = next(((words, each) for words, each in limits if each is not None and each > 0), ("", None))
        if bound is None or number < 0:
            return []
        key = SeriesKey(settings.name, f"measured {settings.quantity}")
        return [Level(key, number, bound, Unit(settings.unit), not_judged=True, limit=words)]

    def _why_not(self, number: float) -> str:
        least, most, what = self._settings.at_least, self._settings.at_most, self._settings.quantity
        if least is not None and number < least:
            return f"{what} is {number:g}, expected at least {least:g}"
        if most is not None and number > most:
            return f"{what} is {number:g}, expected at most {most:g}"
        return ""


def _output(ran: Completed, program: str, settings: CommandSettings) -> bytes:
    """What the program printed. Raises ProbeError if it failed."""
    if ran.missing:
        raise ToolMissing(f"{program} does not exist; install it, or correct its path")
    if ran.timed_out:
        raise ProbeTimeout(f"{program} did not end within {format_duration(settings.timeout)}")
    if ran.truncated:
        raise ProbeError(
            f"{program} printed more than {format_size(settings.max_output)}; print less, or set max_output"
        )
    if ran.status not in settings.ok_status:
        raise ProbeError(f"{program} {_ending(ran, settings)}")
    return ran.stdout


def _ending(ran: Completed, settings: CommandSettings) -> str:
    """How it ended and what it said; and the key to set if it printed what was expected all the same."""
    status = ran.status or 0
    if status < 0:
        return f"was killed by signal {-status}: {_complaint(ran.stderr)}"
    said = f"ended with status {status}: {_complaint(ran.stderr)}"
    if not ran.stdout.strip() or ran.stderr.strip():
        return said
    well = ", ".join(map(str, sorted({*settings.ok_status, status})))
    return f"{said}, but printed something; if it ran well, set ok_status = [{well}]"


def _complaint(errors: bytes) -> str:
    """The last line on standard error, where programs usually report why they failed."""
    lines = errors.decode("utf-8", "replace").strip().splitlines()
    return clip(lines[-1].strip()) if lines else "it says nothing on standard error"


def _number(output: bytes) -> float:
    """The single number that was printed. Raises ProbeError."""
    text = output.decode("utf-8", "replace").strip()
    try:
        number = float(text)
    except ValueError:
        raise ProbeError(f'a single number is expected on standard output, not "{clip(text)}"') from None
    if not math.isfinite(number):
        raise ProbeError(f'a finite number is expected on standard output, not "{clip(text)}"')
    return number
