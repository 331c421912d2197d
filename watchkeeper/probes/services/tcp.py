"""TCP: whether a service accepts connections and, if it speaks first, whether it sends the expected greeting.

Nothing is sent. For a service that speaks HTTP, probes/services/http/http.py is the better probe.
"""

import asyncio
import re
from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from watchkeeper.config.types import Duration
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Answer, Facts, Observation, SeriesKey
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.services.answer_speed import SpeedSettings
from watchkeeper.probes.support import resolve as names
from watchkeeper.probes.support import safe_regex
from watchkeeper.probes.support.connect import connect
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.timer import Timer

GREETING_LIMIT_BYTES = 4096
"""A greeting has one or a few lines; RFC 5321 allows 512 characters for one, and servers send several."""


def _pattern(value: str) -> str:
    try:
        re.compile(value)
    except re.error as error:
        raise ValueError(f"{value!r} is not a regular expression: {error}") from error
    return value


class TcpSettings(SpeedSettings):
    """A service on a TCP port: whether it accepts connections, and its greeting."""

    kind: Literal["tcp"] = "tcp"
    name: str = Field(min_length=1, max_length=100, description="name of the service, such as tide-log")
    every: Duration = Field(30.0, description="time between runs")
    timeout: Duration = Field(10.0, description="maximum time for name resolution, connection and greeting")
    host: Annotated[str, AfterValidator(names.plain_host)] = Field(description="name or address of the host")
    port: int = Field(ge=1, le=65535, description="the port")
    greeting: Annotated[str, AfterValidator(_pattern)] | None = Field(
        None,
        description='regular expression for the first text from the service, such as "^220 "; default: only connect',
    )


class TcpProbe(BaseProbe):
    """Monitors one port."""

    def __init__(self, settings: TcpSettings, bench: ProbeContext) -> None:
        self._settings, self._clock, self._workers = settings, bench.clock, bench.workers
        self._greeting = None if settings.greeting is None else re.compile(settings.greeting)
        self._key = SeriesKey(f"service {settings.name}", "answer")

    async def observe(self) -> Sequence[Observation]:
        """Connect once, then close the connection."""
        watch = Timer(self._clock, "looking up the name")
        facts: Facts = (("address", f"{self._settings.host} port {self._settings.port}"),)
        timer = asyncio.timeout(self._settings.timeout)
        try:
            async with timer:
                trouble = await self._exchange(watch)
        except (OSError, UnicodeError, ProbeError) as error:
            late = timer.expired()
            trouble = watch.too_late(self._settings.timeout) if late else names.why(error, self._settings.host)
            return [Answer(self._key, answered=False, reason=trouble, phases=tuple(watch.phases), facts=facts)]
        return [Answer(self._key, not trouble, trouble, watch.took_s, tuple(watch.phases), facts)]

    async def _exchange(self, watch: Timer) -> str:
        """Connect and listen. Return why the greeting is not as expected; empty if it is."""
        settings = self._settings
        found = await names.look_up(self._workers, settings.host, settings.port, settings.timeout)
        watch.passed("name", "connecting")
        reader, writer = await connect(found, settings.timeout)
        watch.passed("connect", "waiting for the greeting")
        try:
            return "" if self._greeting is None else await self._greeted(reader, self._greeting, watch)
        finally:
            writer.transport.abort()  # Nothing was sent that could be lost, so do not wait for a slow close.

    async def _greeted(self, reader: asyncio.StreamReader, greeting: re.Pattern[str], watch: Timer) -> str:
        said = b""
        while len(said) < GREETING_LIMIT_BYTES:
            part = await reader.read(GREETING_LIMIT_BYTES - len(said))
            said += part
            try:
                if safe_regex.found(greeting, said.decode("utf-8", "replace")):
                    watch.passed("greeting")
                    return ""
            except safe_regex.TookTooLong:
                return "searching its greeting takes too long; write a simpler regular expression"
            if not part:
                break
        line = clip(said.decode("utf-8", "replace").strip())
        return f'unexpected greeting "{line}"' if line else "it closed the connection without a greeting"
