"""The local socket on which commands act: beside the database, for the daemon's user and root alone.

One request is one line of JSON, and so is its answer. The file system decides who may connect; the kernel's word on who
connected is checked as well (SO_PEERCRED, unix(7)). Not here: what an action does (actions.py), and which alert a name
means (the commands).
"""

import asyncio
import contextlib
import json
import logging
import os
import socket
import stat
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from watchkeeper.logs.fields import Event, about
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.simulation import LONGEST_SIMULATION_S
from watchkeeper.web.auth.actions import Actions

log = logging.getLogger(__name__)

SOCKET_NAME = "control.sock"
LONGEST_LINE = 64 * 1024
"""Bytes of a request or an answer."""
LONGEST_NOTE = 1_000
"""Characters of a note; as on the page."""
TIMEOUT_S = 20.0
MOST_CONNECTIONS = 8
"""A person types one command at a time; a script may run a few."""


class _Request(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _OfAlert(_Request):
    subject: Annotated[str, Field(max_length=4_096)]
    quantity: Annotated[str, Field(max_length=4_096)]
    concern: Concern

    @property
    def key(self) -> SeriesKey:
        return SeriesKey(self.subject, self.quantity)


class Acknowledge(_OfAlert):
    """Acknowledge an alert."""

    act: Literal["acknowledge"] = "acknowledge"


class Shelve(_OfAlert):
    """Shelve an alert until a time, or (None) until it next ends."""

    act: Literal["shelve"] = "shelve"
    until: AwareDatetime | None = None


class Unshelve(_OfAlert):
    """End a shelving."""

    act: Literal["unshelve"] = "unshelve"


class Note(_Request):
    """Write a note into the event log, about a series if one is named."""

    act: Literal["note"] = "note"
    text: Annotated[str, Field(min_length=1, max_length=LONGEST_NOTE)]
    subject: str | None = None
    quantity: str | None = None


class Simulate(_Request):
    """Raise a simulated alert about a subject."""

    act: Literal["simulate"] = "simulate"
    subject: Annotated[str, Field(max_length=4_096)]
    priority: Literal["caution", "warning", "alarm"]
    lasts_s: Annotated[float, Field(gt=0, le=LONGEST_SIMULATION_S)]


class Maintain(_Request):
    """Begin the maintenance of a subject until a time, or (None) end it."""

    act: Literal["maintain"] = "maintain"
    subject: Annotated[str, Field(max_length=4_096)]
    until: AwareDatetime | None
    reason: Annotated[str, Field(max_length=LONGEST_NOTE)] = ""


Request = Acknowledge | Shelve | Unshelve | Note | Simulate | Maintain
REQUEST: TypeAdapter[Request] = TypeAdapter(Annotated[Request, Field(discriminator="act")])


@contextlib.contextmanager
def short_path(folder: Path) -> Iterator[str]:
    """The socket's path in a form that always fits: the address of a socket has 108 bytes (unix(7))."""
    handle = os.open(folder, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{handle}/{SOCKET_NAME}"
    finally:
        os.close(handle)


class ControlSocket:
    """Serves the socket in the database's folder."""

    def __init__(self, folder: Path, actions: Actions) -> None:
        self._folder, self._actions = folder, actions
        self._server: asyncio.Server | None = None
        self._open = 0

    async def start(self) -> None:
        """Serve it. If that fails, monitoring goes on without it, and the log says why."""
        try:
            bound = await asyncio.to_thread(self._bind)
        except OSError as error:
            text = "%s cannot be made: %s; commands cannot act on alerts until the next start"
            log.warning(text, self._folder / SOCKET_NAME, error.strerror, extra=about(Event.CONTROL))
            return
        self._server = await asyncio.start_unix_server(self._serve, sock=bound, limit=LONGEST_LINE)

    def _bind(self) -> socket.socket:
        with short_path(self._folder) as path:
            with contextlib.suppress(FileNotFoundError):  # of an earlier run that was killed: this one has the lock
                if stat.S_ISSOCK(Path(path).lstat().st_mode):
                    Path(path).unlink()
            bound = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            before = os.umask(0o177)
            try:
                bound.bind(path)
            except OSError:
                bound.close()
                raise
            finally:
                os.umask(before)
        return bound

    async def close(self) -> None:
        """Stop serving, and remove the socket."""
        if self._server is None:
            return
        self._server.close()
        with contextlib.suppress(OSError):
            (self._folder / SOCKET_NAME).unlink()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._open += 1
        try:
            async with asyncio.timeout(TIMEOUT_S):
                answer = await self._answer(reader, writer)
                writer.write(json.dumps(answer).encode() + b"\n")
                await writer.drain()
        except (TimeoutError, OSError):
            pass  # whoever asked is gone, or says nothing
        finally:
            self._open -= 1
            writer.close()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> dict[str, Any]:
        if self._open > MOST_CONNECTIONS:
            return _refused("too many commands at once; try again")
        if _peer_uid(writer.get_extra_info("socket")) not in {0, os.geteuid()}:
            return _refused("only root and the user that runs watchkeeper may act here")
        try:
            request = REQUEST.validate_json(await reader.readline())
        except (ValidationError, ValueError, asyncio.LimitOverrunError):
            return _refused("the daemon does not understand the request: is it of another version?")
        return {"done": await self._act(request)}

    async def _act(self, request: Request) -> bool:
        match request:
            case Acknowledge():
                return await self._actions.acknowledge(request.key, request.concern)
            case Shelve(until=until):
                return await self._actions.shelve(request.key, request.concern, until)
            case Unshelve():
                return await self._actions.unshelve(request.key, request.concern)
            case Simulate(subject=subject, priority=word, lasts_s=lasts_s):
                return await self._actions.simulate(subject, Priority[word.upper()], lasts_s)
            case Maintain(subject=subject, until=until, reason=reason):
                if until is None:
                    return await self._actions.end_maintenance(subject)
                return await self._actions.maintain(subject, until, " ".join(reason.split()))
            case Note(text=text, subject=subject, quantity=quantity):
                key = None if subject is None or quantity is None else SeriesKey(subject, quantity)
                await self._actions.note(" ".join(text.split()), key)
                return True


def _refused(why: str) -> dict[str, Any]:
    return {"error": why}


def _peer_uid(connection: socket.socket) -> int:
    """The user of the process that connected."""
    raw = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _, uid, _ = struct.unpack("3i", raw)
    return int(uid)
