"""The UPS management protocol (RFC 9271): lists of names and of variables, without a password.

A session is lines of text: `LIST VAR shed` is answered with `BEGIN LIST VAR shed`, one `VAR shed NAME "VALUE"` a
variable, `END LIST VAR shed`; or with `ERR REASON`. Whatever answers may not be such a server: lines and sizes are
bounded. Not here: what the variables mean (ups.py).
"""

import asyncio
import re
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from typing import NamedTuple

from watchkeeper.errors import ProbeError
from watchkeeper.probes.support.connect import connect
from watchkeeper.probes.support.resolve import Address
from watchkeeper.probes.support.sanitize import clip

PORT = 3493
"""RFC 9271, section 3."""

LINE_LIMIT_BYTES = 1024
"""Longer than any line of the protocol: a name and a value of some dozen characters."""

LINES = 1000
"""Servers list up to some hundred variables of one UPS."""

NAME = re.compile(r"[A-Za-z0-9._-]{1,64}")
"""What names are made of here. The server's configuration allows no blanks in them."""

_LISTED = re.compile(r'(?:VAR|UPS) (\S+)(?: (\S+))? "((?:[^"\\]|\\.)*)"')
_ESCAPED = re.compile(r"\\(.)")

_REMEDIES = {
    "DATA-STALE": "it has no fresh data of the UPS: see the driver's log and the cable",
    "DRIVER-NOT-CONNECTED": "the driver of the UPS does not run: start it",
    "UNKNOWN-UPS": "it knows no UPS of this name",
    "ACCESS-DENIED": "it refuses this host: allow it to read there",
}
"""Errors of RFC 9271, section 4.3, that an operator can do something about."""


class Entry(NamedTuple):
    """One line of a list. variable: empty in a list of names, whose value is a description."""

    name: str
    variable: str
    value: str


def read_entry(line: str) -> Entry | None:
    """Read one line of a list; None if it is nothing like it."""
    listed = _LISTED.fullmatch(line)
    if listed is None:
        return None
    name, variable, value = listed.groups()
    return Entry(name, variable or "", clip(_ESCAPED.sub(r"\1", value)))


class UpsSession:
    """One connection to a server."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, where: str) -> None:
        self._reader, self._writer, self._where = reader, writer, where

    async def names(self) -> Mapping[str, str]:
        """Each UPS that the server knows, with its description. Raises ProbeError and OSError."""
        return {name: value for name, _, value in await self._listed("UPS")}

    async def variables(self, name: str) -> Mapping[str, str]:
        """What the server says of one UPS. Raises ProbeError and OSError."""
        return {variable: value for of, variable, value in await self._listed(f"VAR {name}") if of == name}

    async def _listed(self, what: str) -> list[Entry]:
        self._writer.write(f"LIST {what}\n".encode("ascii"))
        await self._writer.drain()
        first = await self._line()
        if first.startswith("ERR "):
            error = first.removeprefix("ERR ").split(" ", 1)[0]
            raise ProbeError(f"the server at {self._where} refuses: {_REMEDIES.get(error, clip(error))}")
        if first != f"BEGIN LIST {what}":
            raise self._foreign(first)
        found: list[Entry] = []
        for _ in range(LINES):
            line = await self._line()
            if line == f"END LIST {what}":
                return found
            entry = read_entry(line)
            if entry is None:
                raise self._foreign(line)
            found.append(entry)
        raise ProbeError(f"the server at {self._where} lists more than {LINES} values")

    async def _line(self) -> str:
        try:
            line = await self._reader.readuntil(b"\n")
        except asyncio.IncompleteReadError as error:
            raise ProbeError(f"the server at {self._where} closed the connection without an answer") from error
        except asyncio.LimitOverrunError as error:
            raise self._foreign("a line without an end") from error
        return line.decode("utf-8", "replace").rstrip("\r\n")

    def _foreign(self, line: str) -> ProbeError:
        return ProbeError(f'what answers at {self._where} is no UPS server: it says "{clip(line, 60)}"')


@asynccontextmanager
async def session(addresses: Sequence[Address], where: str, timeout_s: float) -> AsyncIterator[UpsSession]:
    """Connect to a server. where: its name in errors. Raises OSError; the caller bounds the time as a whole."""
    reader, writer = await connect(addresses, timeout_s, LINE_LIMIT_BYTES)
    try:
        yield UpsSession(reader, writer, where)
    finally:
        writer.transport.abort()
