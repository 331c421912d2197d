"""What the agent in a guest reports: its file systems, clock, addresses and operating system. Pure, but for `ask`.

Everything in a reply was written inside the guest, and may be hostile: it is bounded, checked part by part, and made
safe to show. A part that makes no sense is left out with the reason, and does not hide the rest. Source: the QEMU Guest
Agent protocol reference, qemu-ga-ref(7) of 7.2.
"""

import asyncio
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from ipaddress import ip_address
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from watchkeeper.errors import ProbeError, ProbeTimeout
from watchkeeper.model.units import format_duration, format_size
from watchkeeper.privileged.guests.agent import QUESTIONS, Conversation
from watchkeeper.probes.software.support_end import Release
from watchkeeper.probes.support.sanitize import clip

FILESYSTEMS_LIMIT = 64
"""More than a guest of a home server has; what is above is counted and not read."""

INTERFACES_LIMIT = 64
BYTES_LIMIT = 2**63
"""No file system of Linux is larger."""

IMAGES = frozenset({"squashfs", "iso9660", "udf", "erofs", "cramfs"})
"""File systems that can only be read: always full."""

POINT_CLIP = 60
UNSEEN_LIMIT = 10

_ID = re.compile(r"[a-z0-9._-]{1,40}")
"""ID of os-release(5)."""

_TIME, _SYSTEM, _NETWORK, _FILESYSTEMS = QUESTIONS


class NotAgent(ProbeError):
    """What answers is no guest agent, or sends what was not asked for."""


class AgentTimeout(ProbeTimeout):
    """The agent did not answer in time."""


class _Read(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)


class _FileSystem(_Read):
    name: str = ""
    mountpoint: str = Field(min_length=1)
    type: str = ""
    used: int | None = Field(None, alias="used-bytes", ge=0, lt=BYTES_LIMIT)
    total: int | None = Field(None, alias="total-bytes", ge=0, lt=BYTES_LIMIT)


class _Address(_Read):
    address: str = Field(alias="ip-address", max_length=100)


class _Interface(_Read):
    name: str = ""
    addresses: list[_Address] = Field(default_factory=list, alias="ip-addresses", max_length=1000)


class _System(_Read):
    pretty: str = Field("", alias="pretty-name")
    kernel: str = Field("", alias="kernel-release")
    id: str = Field("", max_length=100)
    version: str = Field("", alias="version-id", max_length=100)


_TIMES, _LIST = TypeAdapter(int), TypeAdapter(list[Any])


@dataclass(frozen=True, slots=True)
class GuestFileSystem:
    """One file system in a guest. point and type: safe to show. total_bytes: what users other than root may fill."""

    point: str
    type: str
    used_bytes: int
    total_bytes: int


@dataclass(frozen=True, slots=True)
class Distribution:
    """A guest's distribution: its release, by os-release(5), and what to call it."""

    release: Release
    title: str


@dataclass(frozen=True, slots=True)
class AgentReport:
    """What an agent reported. ahead_s: how far the guest's clock is ahead of the host's; None if it did not say.

    system: the operating system's name and kernel. addresses: those by which the guest can be reached, as `eth0
    192.0.2.7`; None if it did not say. unseen: each part that could not be read, and why. took_s: seconds until it had
    answered; None if the helper asked. distribution: None if the agent did not name one that could have a table.
    """

    filesystems: tuple[GuestFileSystem, ...] = ()
    ahead_s: float | None = None
    system: str = ""
    addresses: tuple[str, ...] | None = None
    unseen: tuple[tuple[str, str], ...] = ()
    took_s: float | None = None
    distribution: Distribution | None = None


@dataclass(slots=True)
class _Parts:
    """Reads the replies one by one, and collects the reasons for what cannot be read."""

    replies: Mapping[str, str]
    unseen: list[tuple[str, str]] = field(default_factory=list)

    def returned(self, question: str, part: str) -> Any:  # noqa: ANN401  what JSON holds
        """What the agent returned to a question; None, with the reason recorded, if it returned nothing usable."""
        try:
            reply = json.loads(self.replies[question])
        except KeyError:
            return self.refuse(part, f"the agent did not answer {question}")
        except (ValueError, RecursionError):
            return self.refuse(part, f"the agent's answer to {question} is not valid")
        number = QUESTIONS.index(question)
        if not isinstance(reply, dict) or reply.get("id", number) != number:
            return self.refuse(part, f"the agent answered another question than {question}")
        if "return" not in reply:
            error = reply.get("error")
            said = error.get("desc") if isinstance(error, dict) else "no reason given"
            return self.refuse(part, f"the agent refused {question}: {clip(str(said))}")
        return reply["return"]

    def refuse(self, part: str, why: str) -> Any:  # noqa: ANN401  None, for a caller to return
        """Record that a part could not be read."""
        if len(self.unseen) < UNSEEN_LIMIT:
            self.unseen.append((part, why))


async def ask(path: str, timeout_s: float) -> AgentReport:
    """Ask the agent behind a unix socket.

    Raises OSError if the connection fails, AgentTimeout if it does not answer in time, NotAgent if what answers makes
    no sense. An agent that has begun to answer and then leaves a question open has answered: the rest is in `unseen`.
    """
    talk, loop = Conversation(), asyncio.get_running_loop()
    began_s = loop.time()
    try:
        async with asyncio.timeout(timeout_s):
            await _converse(path, talk)
    except TimeoutError:
        if not talk.synced:
            raise AgentTimeout(f"its agent did not answer within {format_duration(timeout_s)}") from None
    except ValueError as error:
        raise NotAgent(f"what answers for its agent cannot be used: {error}") from None
    return understand(talk.replies, talk.host_time_s, loop.time() - began_s)


async def _converse(path: str, talk: Conversation) -> None:
    reader, writer = await asyncio.open_unix_connection(path)
    try:
        send = talk.begin()
        while not talk.complete:
            writer.write(send)
            await writer.drain()
            part = await reader.read(65_536)
            if not part:
                raise ConnectionResetError("its agent closed the connection")
            send = talk.receive(part)
    finally:
        writer.transport.abort()


def read_printed(text: bytes) -> AgentReport:
    """Read what the privileged helper printed about an agent (privileged/guests/agent.py). Raises NotAgent."""
    try:
        printed = json.loads(text)
        replies = {str(question): str(line) for question, line in printed["replies"].items()}
        at_s = printed["host_time_s"]
        host_time_s = None if at_s is None else float(at_s)
    except (ValueError, RecursionError, KeyError, TypeError, AttributeError, OverflowError):
        raise NotAgent("the helper's answer cannot be read; install the same version of both") from None
    return understand(replies, host_time_s)


def understand(replies: Mapping[str, str], host_time_s: float | None, took_s: float | None = None) -> AgentReport:
    """What the replies say. host_time_s: the host's own time (seconds since 1970) when the guest was asked for its."""
    parts = _Parts(replies)
    ahead_s = _ahead(parts, host_time_s)
    system, addresses, found = _system(parts), _addresses(parts), _filesystems(parts)
    called = clip(", kernel ".join(filter(None, (system.pretty.strip(), system.kernel.strip()))), 100)
    unseen = tuple(parts.unseen)
    return AgentReport(tuple(found), ahead_s, called, addresses, unseen, took_s, _distribution(system))


def _ahead(parts: _Parts, host_time_s: float | None) -> float | None:
    said = parts.returned(_TIME, "clock")
    if said is None or host_time_s is None:
        return None
    try:
        return _TIMES.validate_python(said, strict=True) / 1e9 - host_time_s
    except (ValidationError, OverflowError):
        parts.refuse("clock", "the agent's time is not a number")
        return None


def _system(parts: _Parts) -> _System:
    said = parts.returned(_SYSTEM, "operating system")
    try:
        return _System.model_validate(said) if said is not None else _System()
    except ValidationError:
        parts.refuse("operating system", "the agent's answer is not valid")
        return _System()


def _distribution(system: _System) -> Distribution | None:
    """The release that it names; None without an id and a version, such as of a distribution without releases."""
    if not _ID.fullmatch(system.id) or not system.version.strip():
        return None
    title = clip(system.pretty.strip() or f"{system.id} {system.version}", 60)
    return Distribution(Release(system.id, system.version), title)


def _addresses(parts: _Parts) -> tuple[str, ...] | None:
    """The addresses by which the guest can be reached from another host."""
    found = []
    said = _listed(parts, _NETWORK, "network")
    if said is None:
        return None
    for each in said[:INTERFACES_LIMIT]:
        try:
            interface = _Interface.model_validate(each)
        except ValidationError:
            parts.refuse("network", "an interface is not valid")
            continue
        found += [f"{clip(interface.name, 30)} {one}" for one in map(_reachable, interface.addresses) if one]
    return tuple(found)


def _reachable(said: _Address) -> str:
    """An address as it is written usually; empty for one that no other host can reach."""
    try:
        address = ip_address(said.address.partition("%")[0])
    except ValueError:
        return ""
    useless = address.is_loopback or address.is_link_local or address.is_unspecified or address.is_multicast
    return "" if useless else str(address)


def _listed(parts: _Parts, question: str, part: str) -> Sequence[Any] | None:
    said = parts.returned(question, part)
    try:
        return None if said is None else _LIST.validate_python(said)
    except ValidationError:
        parts.refuse(part, f"the agent's answer to {question} is no list")
        return None


def _filesystems(parts: _Parts) -> Sequence[GuestFileSystem]:
    """The file systems that can be written to, each once: one that is mounted several times has its shortest name."""
    said = _listed(parts, _FILESYSTEMS, "file systems") or ()
    if len(said) > FILESYSTEMS_LIMIT:
        parts.refuse("file systems", f"{len(said)} are listed, and {FILESYSTEMS_LIMIT} are read")
    found: dict[object, GuestFileSystem] = {}
    for number, each in enumerate(said[:FILESYSTEMS_LIMIT]):
        try:
            one = _FileSystem.model_validate(each)
        except ValidationError:
            parts.refuse("file systems", "one of them is not valid")
            continue
        if (read := _filesystem(parts, one)) is not None:
            same = (one.name, read.used_bytes, read.total_bytes) if one.name else number
            if same not in found or len(read.point) < len(found[same].point):
                found[same] = read
    return sorted({each.point: each for each in found.values()}.values(), key=lambda each: each.point)


def _filesystem(parts: _Parts, said: _FileSystem) -> GuestFileSystem | None:
    point, sort = clip(said.mountpoint, POINT_CLIP), clip(said.type, 20)
    if said.type in IMAGES:
        return None
    if said.used is None or said.total is None:
        parts.refuse(f"space on {point}", "the agent does not report it")
        return None
    if not said.total:
        return None
    if said.used > said.total:
        sizes = f"{format_size(said.used)} used of {format_size(said.total)}"
        parts.refuse(f"space on {point}", f"the agent reports {sizes}, which is impossible")
        return None
    return GuestFileSystem(point, sort, said.used, said.total)
