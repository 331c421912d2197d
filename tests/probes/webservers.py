"""Real servers on loopback for the tests of the HTTP probe: well-behaved ones, and raw ones that say what they like."""

import asyncio
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress

from aiohttp import web

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
Raw = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def serving(handler: Handler, *, tls: ssl.SSLContext | None = None) -> AsyncIterator[str]:
    """An aiohttp server that gives every path to one handler; yields its address on `localhost`."""
    app = web.Application()
    app.router.add_route("*", "/{path:.*}", handler)
    runner = web.AppRunner(app, shutdown_timeout=0.1)
    await runner.setup()
    try:
        await web.TCPSite(runner, "127.0.0.1", 0, ssl_context=tls).start()
        port = runner.addresses[0][1]
        yield f"{'https' if tls else 'http'}://localhost:{port}"
    finally:
        await runner.cleanup()


@asynccontextmanager
async def raw(talk: Raw, *, tls: ssl.SSLContext | None = None) -> AsyncIterator[str]:
    """A server that reads a request's head and then does what `talk` does; yields its address on 127.0.0.1."""
    tasks: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        tasks.add(task)
        with suppress(ConnectionError, asyncio.CancelledError, asyncio.IncompleteReadError):
            await reader.readuntil(b"\r\n\r\n")
            await talk(reader, writer)
        writer.transport.abort()

    server = await asyncio.start_server(serve, "127.0.0.1", 0, ssl=tls)
    try:
        port = server.sockets[0].getsockname()[1]
        yield f"{'https' if tls else 'http'}://127.0.0.1:{port}"
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await server.wait_closed()


def saying(data: bytes) -> Raw:
    """Send these bytes and hang up."""

    async def talk(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(data)
        await writer.drain()
        writer.close()
        await writer.wait_closed()

    return talk


def repeating(head: bytes, part: bytes, pause_s: float = 0.0) -> Raw:
    """Send a head, and then the same part so often that nobody may read it to the end."""

    async def talk(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(head)
        for _turn in range(1_000_000):
            writer.write(part)
            await writer.drain()
            await asyncio.sleep(pause_s)

    return talk
