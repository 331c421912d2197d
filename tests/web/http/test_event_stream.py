"""The stream of changes: what is sent when, to whom, and that it ends."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import aiohttp
import pytest

from tests.support import readstore
from tests.support.readstore import ReadStoreDouble
from tests.web.conftest import Open, app_of
from watchkeeper.web.http import event_stream
from watchkeeper.web.http.limits import Limits
from watchkeeper.web.server import serve
from watchkeeper.web.settings import PageSettings

PATH = "/api/v1/stream"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the looks follow one another quickly."""
    monkeypatch.setattr(event_stream, "LOOK_S", 0.01)
    monkeypatch.setattr(event_stream, "REST_S", 0.05)


@asynccontextmanager
async def listening(store: ReadStoreDouble, **headers: str) -> AsyncIterator[tuple[aiohttp.ClientResponse, object]]:
    """A stream on a real port, and the server."""
    served = await serve(app_of(store), PageSettings(port=0))
    try:
        async with (
            aiohttp.ClientSession() as session,
            session.get(served.address + PATH[1:], headers=headers) as answer,
        ):
            yield answer, served
    finally:
        await served.cleanup()


async def event(answer: aiohttp.ClientResponse) -> dict[str, str]:
    """The next event or comment, as its fields."""
    fields: dict[str, str] = {}
    async with asyncio.timeout(30):
        while (line := (await answer.content.readline()).decode()) != "\n":
            name, _, value = line.rstrip("\n").partition(":")
            fields[name] = value.removeprefix(" ")
    return fields


async def test_a_change_is_told() -> None:
    """After a change comes one event with the store's new number; changes that follow at once are told as one."""
    store = readstore.calm()
    async with listening(store) as (answer, _):
        assert answer.headers["Content-Type"] == "text/event-stream; charset=utf-8"
        assert answer.headers["Cache-Control"] == "private, no-cache"
        # The look at the store's number begins before this is sent, so no later change can be missed.
        assert await event(answer) == {"retry": "5000"}
        loop = asyncio.get_running_loop()
        begun = loop.time()
        store.version = 7
        assert await event(answer) == {"id": "7", "event": "change", "data": "7"}
        for store.version in range(8, 20):
            await asyncio.sleep(0.001)
        later = [await event(answer)]
        while later[-1]["id"] != "19":
            later.append(await event(answer))
            assert len(later) <= 12
        assert len(later) * event_stream.REST_S <= loop.time() - begun


async def test_what_was_missed_is_told_at_once() -> None:
    """A reader that comes back says what it knew; if that is old it is told, and not if it is not."""
    store = readstore.calm()
    store.version = 5
    async with listening(store, **{"Last-Event-ID": "3"}) as (answer, _):
        assert (await event(answer))["id"] == "5"
    async with listening(store, **{"Last-Event-ID": "5"}) as (answer, _):
        assert await event(answer) == {"retry": "5000"}


async def test_silence_is_kept_alive(monkeypatch: pytest.MonkeyPatch) -> None:
    """While nothing changes a comment is sent now and then, and nothing else."""
    monkeypatch.setattr(event_stream, "COMMENT_S", 0.05)
    async with listening(readstore.calm()) as (answer, _):
        assert await event(answer) == {"retry": "5000"}
        assert await event(answer) == {"": ""}
        assert await event(answer) == {"": ""}


async def test_head_does_not_listen(page: Open) -> None:
    """HEAD tells the type and ends at once."""
    client = await page(readstore.calm())
    async with asyncio.timeout(30):
        answer = await client.head(PATH)
    assert (answer.status, answer.content_type) == (200, "text/event-stream")


async def test_a_stop_ends_the_streams() -> None:
    """The server does not wait for those who listen."""
    served = await serve(app_of(readstore.calm()), PageSettings(port=0))
    async with aiohttp.ClientSession() as session, session.get(served.address + PATH[1:]) as answer:
        await event(answer)
        loop = asyncio.get_running_loop()
        begun = loop.time()
        await served.cleanup()
        assert loop.time() - begun < 1.5
        assert await answer.content.read() == b""


async def test_nothing_runs_when_nobody_listens(monkeypatch: pytest.MonkeyPatch) -> None:
    """The one task ends with the last listener, as soon as its connection is lost, and the number of listeners has
    a limit; one that is over it keeps no connection.
    """
    monkeypatch.setattr(event_stream, "COMMENT_S", 60)
    app = app_of(readstore.calm())
    served = await serve(app, PageSettings(port=0), Limits(streams_per_address=2))
    known = app[event_stream.EVENT_STREAM]
    try:
        async with aiohttp.ClientSession() as session:
            one, two = await session.get(served.address + PATH[1:]), await session.get(served.address + PATH[1:])
            refused = await session.get(served.address + PATH[1:])
            assert (refused.status, refused.headers["Retry-After"]) == (503, "60")
            assert refused.headers["Connection"] == "close"
            looking = known._looking
            assert looking is not None
            one.close()
            two.close()
            async with asyncio.timeout(30):
                await asyncio.wait({looking})
        assert not known._listeners
    finally:
        await served.cleanup()
