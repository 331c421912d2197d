"""Servers on loopback that fail in realistic ways, until they are set to work well."""

import asyncio
import re
import ssl
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Any

from aiohttp import web

from watchkeeper.clock import Clock

GREY_FOR = timedelta(minutes=20)
"""How long a greylisting server makes a client wait; RFC 6647 5 speaks of minutes to hours."""


class BadMailServer:
    """SMTP as far as a delivery needs it. how: `well`, `slow`, `refusing`, `greylisting`, `cutting off`, or `down`."""

    def __init__(self, clock: Clock) -> None:
        self.how, self.port, self.tries = "well", 0, 0
        self.mails: list[str] = []
        self._clock = clock
        self._server: asyncio.Server | None = None
        self._seen: dict[str, datetime] = {}

    async def be(self, how: str) -> None:
        """Switch to this behaviour."""
        self.how = how
        self._seen.clear()
        if how == "down" and self._server is not None:
            self._server.close()
            self._server = None
        elif how != "down" and self._server is None:
            self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
            self.port = self._server.sockets[0].getsockname()[1]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.tries += 1
        with suppress(ConnectionError, asyncio.IncompleteReadError):
            await self._talk(reader, writer)
        writer.close()

    async def _say(self, writer: asyncio.StreamWriter, text: str) -> None:
        for byte in f"{text}\r\n".encode():
            writer.write(bytes([byte]))
            if self.how == "slow":
                await writer.drain()
                await asyncio.sleep(1)
        await writer.drain()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await self._say(writer, "554 no service here" if self.how == "refusing" else "220 mail.example.org ESMTP")
        while line := (await reader.readline()).decode().strip():
            match line.split()[0].upper():
                case "RCPT":
                    await self._say(writer, self._greeted(line))
                case "DATA":
                    await self._say(writer, "354 go on")
                    content = await reader.readuntil(b"\r\n.\r\n")
                    if self.how == "cutting off":
                        return
                    self.mails.append(content.decode())
                    await self._say(writer, "250 taken")
                case "QUIT":
                    await self._say(writer, "221 farewell")
                    return
                case _:
                    await self._say(writer, "250 fine")

    def _greeted(self, line: str) -> str:
        first = self._seen.setdefault(line, self._clock.now())
        grey = self.how == "greylisting" and self._clock.now() - first < GREY_FOR
        return "451 4.7.1 come back later" if grey else "250 fine"

    def ids(self) -> list[str]:
        """The Message-IDs of the mails it accepted, without their host."""
        return [re.search(r"^Message-ID: <([^@]+)@", mail, re.MULTILINE)[1] for mail in self.mails]  # type: ignore[index]


class BadHook:
    """A webhook receiver. how: `well`, `500`, `429`, `redirect`, `endless`, `bad TLS`, or `down`."""

    def __init__(self, right: ssl.SSLContext, wrong: ssl.SSLContext) -> None:
        self.how, self.port, self.tries = "well", 0, 0
        self.got: list[dict[str, Any]] = []
        self._right, self._wrong = right, wrong
        self._runner: web.AppRunner | None = None

    async def be(self, how: str) -> None:
        """Switch to this behaviour."""
        self.how = how
        await self.close()
        if how == "down":
            return
        app = web.Application()
        app.router.add_post("/{tail:.*}", self._take)
        self._runner = web.AppRunner(app, shutdown_timeout=0.1, access_log=None)
        await self._runner.setup()
        context = self._wrong if how == "bad TLS" else self._right
        await web.TCPSite(self._runner, "127.0.0.1", self.port, ssl_context=context, reuse_address=True).start()
        self.port = self._runner.addresses[0][1]

    async def close(self) -> None:
        if self._runner is not None:
            await self._runner.cleanup()
            self._runner = None

    async def _take(self, request: web.Request) -> web.StreamResponse:
        self.tries += 1
        body = await request.json()
        answers: dict[str, Callable[[], web.Response]] = {
            "500": lambda: web.Response(status=500),
            "429": lambda: web.Response(status=429, headers={"Retry-After": "5400"}),
            "redirect": lambda: web.Response(status=302, headers={"Location": "/elsewhere"}),
        }
        if self.how in answers:
            return answers[self.how]()
        if self.how == "endless":
            return await self._endless(request)
        self.got.append(body)
        return web.Response(status=204)

    async def _endless(self, request: web.Request) -> web.StreamResponse:
        response = web.StreamResponse(status=503)
        await response.prepare(request)
        with suppress(ConnectionError):
            for _ in range(20_000):  # more than a gigabyte: a client that reads this would read any amount
                await response.write(b"x" * 65_536)
        return response
