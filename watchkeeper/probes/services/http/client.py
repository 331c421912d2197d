"""Makes one HTTP exchange on a new connection, bounded in every respect, and times each phase.

Not here: what the answer should be (checks.py), and how a failure is worded (errors.py).
"""

import asyncio
import socket
import zlib
from collections.abc import Coroutine, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from types import SimpleNamespace
from typing import Any, Literal

import aiohttp
from aiohttp.abc import AbstractResolver, ResolveResult
from multidict import CIMultiDictProxy
from yarl import URL

from watchkeeper import __version__
from watchkeeper.clock import Clock
from watchkeeper.errors import ProbeError
from watchkeeper.http_answers import BoundedAnswer
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services.tls import Handshake, WatchedContext, current
from watchkeeper.probes.support.sanitize import clip

REDIRECTS = frozenset({301, 302, 303, 307, 308})
"""RFC 9110, section 15.4: those that name another address to go to."""

STANDARD_HEADERS = {"User-Agent": f"watchkeeper/{__version__}", "Accept": "*/*", "Accept-Encoding": "identity"}
"""identity: bodies are small, and one that is not compressed cannot grow during decompression."""

RedirectPolicy = Literal["refuse", "same host", "follow"]


class NoReply(ProbeError):
    """The exchange ended without an answer that can be checked; the text says why."""


@dataclass(slots=True)
class Progress:
    """The progress of an exchange. stage: what it is doing now, worded to fit into a sentence."""

    clock: Clock
    url: URL
    handshake: Handshake
    stage: str = "connecting"
    mark_s: float = 0.0
    phases: dict[str, float] = field(default_factory=dict)

    def begin(self, stage: str) -> None:
        """Begin a stage now."""
        self.stage, self.mark_s = stage, self.clock.monotonic_s()

    def passed(self, phase: str, at_s: float | None = None) -> None:
        """End a phase: add the time since the mark (redirects add up), and set the mark."""
        now_s = self.clock.monotonic_s() if at_s is None else at_s
        self.phases[phase] = self.phases.get(phase, 0.0) + max(now_s - self.mark_s, 0.0)
        self.mark_s = now_s

    def connected(self) -> None:
        """End the connect phase and, with TLS, the handshake: asyncio reports both together."""
        if self.url.scheme == "https":
            self.passed("connect", self.handshake.began_s)
            self.passed("TLS")
        else:
            self.passed("connect")
        self.stage = "waiting for the answer"


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer. whole: False if the body was larger than the read limit."""

    status: int
    headers: CIMultiDictProxy[str]
    body: bytes
    whole: bool
    url: URL


@dataclass(frozen=True, slots=True)
class RequestSpec:
    """What to request. Headers in `secret_headers` are sent only to the origin of `url`."""

    method: str
    url: URL
    headers: Mapping[str, str]
    secret_headers: Mapping[str, str] = field(repr=False)
    settled: frozenset[int]  # redirect statuses that are the expected answer, so they are not followed
    redirects: RedirectPolicy
    redirects_limit: int
    body_limit_bytes: int


class WorkerResolver(AbstractResolver):
    """Looks names up in a call that can be abandoned: a dead name server must not delay the end of the process.

    last: a numeric address of the name that was looked up last. pinned: names that are not looked up, and their
    numeric addresses.
    """

    def __init__(self, bench: ProbeContext, timeout_s: float) -> None:
        self._workers = bench.workers
        self._timeout_s = timeout_s
        self.last = ""
        self.pinned: dict[str, Sequence[str]] = {}

    async def resolve(
        self, host: str, port: int = 0, family: socket.AddressFamily = socket.AF_UNSPEC
    ) -> list[ResolveResult]:
        """All addresses of a name. Raises OSError, ProbeTimeout and StillHanging."""
        numeric = socket.AI_NUMERICHOST | socket.AI_NUMERICSERV
        if pinned := self.pinned.get(host):
            self.last = pinned[0]
            return [_pinned(host, each, port, numeric) for each in pinned]
        look = partial(socket.getaddrinfo, host, port, family, socket.SOCK_STREAM, 0, socket.AI_ADDRCONFIG)
        found = await self._workers.call(f"name lookup of {clip(host)}", look, self._timeout_s)
        results = [
            ResolveResult(hostname=host, host=_numeric(address), port=port, family=kind, proto=protocol, flags=numeric)
            for kind, _, protocol, _, address in found
        ]
        self.last = results[0]["host"]
        return results

    async def close(self) -> None:
        """Do nothing; no resources are held."""


def _pinned(name: str, address: str, port: int, flags: int) -> ResolveResult:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    return ResolveResult(hostname=name, host=address, port=port, family=family, proto=socket.IPPROTO_TCP, flags=flags)


def _numeric(address: tuple[object, ...]) -> str:
    """The address as text; a link-local IPv6 address needs its interface."""
    scope = address[3] if len(address) == 4 else 0
    return f"{address[0]}%{scope}" if scope else str(address[0])


def _tracing() -> aiohttp.TraceConfig:
    """Hooks that keep the Progress given as `trace_request_ctx` up to date."""
    trace = aiohttp.TraceConfig()

    async def connecting(_: object, context: SimpleNamespace, __: object) -> None:
        context.trace_request_ctx.begin("connecting")
        context.trace_request_ctx.handshake.began_s = (
            None  # After a redirect, the previous connection's value is outdated.
        )

    async def looking_up(_: object, context: SimpleNamespace, __: object) -> None:
        context.trace_request_ctx.begin("looking up the name")

    async def looked_up(_: object, context: SimpleNamespace, __: object) -> None:
        context.trace_request_ctx.passed("name lookup")
        context.trace_request_ctx.stage = "connecting"

    async def connected(_: object, context: SimpleNamespace, __: object) -> None:
        context.trace_request_ctx.connected()

    trace.on_connection_create_start.append(connecting)
    trace.on_dns_resolvehost_start.append(looking_up)
    trace.on_dns_resolvehost_end.append(looked_up)
    trace.on_connection_create_end.append(connected)
    return trace


class HttpClient:
    """Makes exchanges, each on its own connection, so that all its phases are measured."""

    def __init__(self, bench: ProbeContext, timeout_s: float) -> None:
        self._resolver = WorkerResolver(bench, timeout_s)
        self._session: aiohttp.ClientSession | None = None

    @property
    def address(self) -> str:
        """A numeric address of the name that was looked up last; empty if none was."""
        return self._resolver.last

    def pin(self, host: str, addresses: Sequence[str]) -> None:
        """Connect to these numeric addresses for this name, instead of looking it up; look it up if there are none."""
        self._resolver.pinned = {host: addresses}

    async def exchange(self, wishes: RequestSpec, progress: Progress, context: WatchedContext) -> Reply:
        """Send the request, follow redirects as the policy allows, and read the body up to its limit.

        There is no timeout here: the caller cancels it. Raises NoReply, aiohttp.ClientError, OSError, ProbeError and
        ValueError.
        """
        token = current.set(progress.handshake)
        try:
            for _ in range(wishes.redirects_limit + 1):
                reply = await self._ask(wishes, progress, context)
                if reply is not None:
                    return reply
        finally:
            current.reset(token)
        raise NoReply(f"it redirects more than {wishes.redirects_limit} times")

    async def _ask(self, wishes: RequestSpec, progress: Progress, context: WatchedContext) -> Reply | None:
        """Make one request. Returns None if the answer is a redirect to follow; progress.url is then its target."""
        own = progress.url.origin() == wishes.url.origin()
        headers = {**STANDARD_HEADERS, **wishes.headers, **(wishes.secret_headers if own else {})}
        response = await self._opened().request(
            wishes.method,
            progress.url,
            headers=headers,
            ssl=context,
            allow_redirects=False,
            trace_request_ctx=progress,
        )
        progress.passed("first byte")
        try:
            target = redirect_target(response.status, response.headers.get("Location"), progress.url, wishes)
            if target is not None:
                progress.url = target
                return None
            progress.begin("reading the body")
            body, whole = await _read(response, wishes.body_limit_bytes)
            progress.passed("body")
            return Reply(response.status, response.headers, body, whole, progress.url)
        finally:
            response.close()

    def _opened(self) -> aiohttp.ClientSession:
        if self._session is None:
            self._session = aiohttp.ClientSession(
                connector=aiohttp.TCPConnector(resolver=self._resolver, use_dns_cache=False, force_close=True, limit=1),
                cookie_jar=aiohttp.DummyCookieJar(),
                timeout=aiohttp.ClientTimeout(total=None, sock_connect=None),
                auto_decompress=False,
                trust_env=False,
                trace_configs=[_tracing()],
                response_class=BoundedAnswer,
            )
        return self._session

    async def close(self) -> None:
        """Close the session."""
        if self._session is not None:
            await self._session.close()
            self._session = None


def redirect_target(status: int, location: str | None, url: URL, wishes: RequestSpec) -> URL | None:
    """The redirect to follow; None if this is the final answer. Raises NoReply if the redirect is not allowed."""
    if status not in REDIRECTS or status in wishes.settled or wishes.redirects == "refuse" or location is None:
        return None
    try:
        target = url.join(URL(location))
        usable = target.scheme in ("http", "https") and bool(target.host)
    except ValueError:
        usable = False
    if not usable:
        raise NoReply(f"it redirects to what is no HTTP address: {clip(location)}")
    if wishes.redirects == "same host" and target.host != wishes.url.host:
        raise NoReply(f"it redirects to another host, {clip(str(target.host))}, and redirects is 'same host'")
    return target.with_user(None)


async def _read(response: aiohttp.ClientResponse, limit_bytes: int) -> tuple[bytes, bool]:
    """The body up to the limit, decompressed, and whether that is all of it."""
    raw = bytearray()
    while len(raw) <= limit_bytes and (chunk := await response.content.readany()):
        raw += chunk
    whole = len(raw) <= limit_bytes
    encoding = response.headers.get("Content-Encoding", "identity").strip().lower()
    if encoding in ("identity", ""):
        return bytes(raw[:limit_bytes]), whole
    body, all_of_it = unpacked(bytes(raw[:limit_bytes]), encoding, limit_bytes)
    return body, whole and all_of_it


def unpacked(raw: bytes, encoding: str, limit_bytes: int) -> tuple[bytes, bool]:
    """Decompress a body that came compressed without being requested so, up to the limit. Raises NoReply."""
    if encoding not in ("gzip", "x-gzip", "deflate"):
        raise NoReply(f"the body is packed as {clip(encoding, 40)!r}, which was not asked for")
    for window in (zlib.MAX_WBITS | 32, -zlib.MAX_WBITS):  # gzip or zlib; raw deflate, which some servers send
        unpacker = zlib.decompressobj(window)
        try:
            body = unpacker.decompress(raw, limit_bytes)
        except zlib.error:
            continue
        return body, unpacker.eof and not unpacker.unconsumed_tail
    raise NoReply(f"the body is not the {encoding} that it claims to be")


async def within(timeout_s: float, work: Coroutine[Any, Any, Reply]) -> Reply | None:
    """What `work` returns, or None if it took longer than `timeout_s`. A TimeoutError of its own is raised as it is."""
    limit = asyncio.timeout(timeout_s)
    try:
        async with limit:
            return await work
    except TimeoutError:
        if limit.expired():
            return None
        raise
