"""What stands before the handlers: the Host check, headers, errors as problem details."""

import gzip
import json
import logging
from collections.abc import Sequence
from urllib.parse import urljoin

import pytest
from aiohttp import ClientError, ClientSession, web
from aiohttp.test_utils import TestClient, TestServer

from tests.support import readstore
from tests.support.readstore import ReadStoreDouble
from tests.web.conftest import Client, Open, app_of
from watchkeeper.model.alert import Alert
from watchkeeper.web.app import BODY_LIMIT
from watchkeeper.web.http.middleware import HEADERS, allowed_host, answer_errors
from watchkeeper.web.http.problem_details import title
from watchkeeper.web.settings import PageSettings


@pytest.mark.parametrize(
    "header",
    [
        "127.0.0.1", "127.0.0.1:8417", "127.9.9.9", "localhost", "LOCALHOST:80", "[::1]", "[::1]:8417", "::1",
        "watch.example.org", "watch.example.org.", "Watch.Example.Org:443",
    ],
)  # fmt: skip
def test_own_names(header: str) -> None:
    """Loopback by any of its names, and what was configured, with or without a port."""
    assert allowed_host(header, ("watch.example.org",))


@pytest.mark.parametrize(
    "header",
    [
        "", "evil.test", "evil.test:8417", "127.0.0.1.evil.test", "localhost.evil.test", "192.0.2.7", "[::2]",
        "[::1", "[::1]evil", "127.0.0.1:x", "0.0.0.0", "watch.example.org.evil.test", "[::ffff:192.0.2.7]",
        "2130706433", "127.1", "a@127.0.0.1",
    ],
)  # fmt: skip
def test_other_names(header: str) -> None:
    """What a rebinding page could send, and what only looks like loopback (192.0.2.0/24 is for examples, RFC 5737)."""
    assert not allowed_host(header, ("watch.example.org",))


@pytest.mark.parametrize("path", ["/", "/events", "/api/v1/status", "/static/page.css", "/nothing"])
async def test_rebinding_is_turned_away(page: Open, path: str) -> None:
    """A request for a foreign name gets 421 (RFC 9110, 15.5.20) from every path, and nothing of ours."""
    client = await page(readstore.filling())
    answer = await client.get(path, headers={"Host": "evil.test"})
    body = await answer.json(content_type="application/problem+json")
    assert answer.status == body["status"] == 421
    assert "skerry" not in await answer.text()


async def test_configured_name_is_answered(page: Open) -> None:
    """A reverse proxy's name is answered once it is configured."""
    client = await page(readstore.calm(), PageSettings(hosts=("watch.example.org",)))
    answer = await client.get("/", headers={"Host": "watch.example.org"})
    assert answer.status == 200


@pytest.mark.parametrize(
    "path", ["/", "/subjects/1", "/api", "/api/v1/status", "/static/page.css", "/nothing", "/api/x"]
)
async def test_headers_on_every_answer(page: Open, path: str) -> None:
    """Errors carry the same headers as good answers."""
    answer = await (await page(readstore.calm())).get(path)
    for name, value in HEADERS.items():
        assert answer.headers[name] == value
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy


async def test_wrong_method(page: Open) -> None:
    """405 says in the Allow field and in words what is taken."""
    answer = await (await page(readstore.calm())).post("/api/v1/status", data=b"x")
    body = await answer.json(content_type="application/problem+json")
    assert answer.status == body["status"] == 405
    assert answer.headers["Allow"] == "GET,HEAD"
    assert "takes GET, HEAD" in body["detail"]


async def test_error_for_people(page: Open) -> None:
    """A browser gets a page outside the API, and problem details within it."""
    client = await page(readstore.calm())
    html = {"Accept": "text/html,*/*"}
    assert (await client.get("/nothing", headers=html)).content_type == "text/html"
    assert (await client.get("/api/nothing", headers=html)).content_type == "application/problem+json"
    assert (await client.get("/nothing")).content_type == "application/problem+json"


class BrokenStore(ReadStoreDouble):
    """Fails with words that nobody outside should read."""

    async def alerts(self) -> Sequence[Alert]:
        raise RuntimeError("secret of the house")


async def test_broken_handler(page: Open, caplog: pytest.LogCaptureFixture) -> None:
    """A failure inside is a 500 without its cause; the cause is in the log."""
    client = await page(BrokenStore())
    with caplog.at_level(logging.ERROR):
        answer = await client.get("/api/v1/raised")
    body = await answer.json(content_type="application/problem+json")
    assert answer.status == body["status"] == 500
    assert "secret" not in await answer.text()
    assert "secret of the house" in caplog.text
    page_answer = await client.get("/", headers={"Accept": "text/html"})
    assert (page_answer.status, page_answer.content_type) == (500, "text/html")


async def _extended() -> Client:
    """The app with three more handlers, for answers that its own do not give."""
    app = app_of(readstore.fresh())

    async def take(request: web.Request) -> web.Response:
        await request.read()
        return web.Response(text="taken")

    async def move(_request: web.Request) -> web.Response:
        raise web.HTTPFound("/")

    async def teapot(_request: web.Request) -> web.Response:
        raise web.HTTPUnsupportedMediaType

    app.router.add_post("/take", take)
    app.router.add_get("/move", move)
    app.router.add_get("/odd", teapot)
    client: Client = TestClient(TestServer(app))
    await client.start_server()
    return client


async def test_body_too_large() -> None:
    """413 in problem details; a redirect stays one; any other error has its phrase."""
    client = await _extended()
    try:
        answer = await client.post("/take", data=b"x" * (BODY_LIMIT + 1))
        assert answer.status == 413
        assert (await answer.json(content_type="application/problem+json"))["title"] == title(413)
        assert (await client.post("/take", data=b"x")).status == 200
        assert (await client.get("/move", allow_redirects=False)).status == 302
        odd = await (await client.get("/odd")).json(content_type="application/problem+json")
        assert odd["detail"] == "Unsupported Media Type."
    finally:
        await client.close()


def test_title_of_an_unknown_status() -> None:
    """A status without a phrase has a plain title."""
    assert title(499) == "Error"


async def test_head_has_no_body(page: Open) -> None:
    """HEAD is answered as GET is, without the body."""
    answer = await (await page(readstore.calm())).head("/")
    assert (answer.status, await answer.read()) == (200, b"")


@pytest.mark.parametrize(
    ("name", "media"), [("page.css", "text/css"), ("icon.svg", "image/svg+xml"), ("page.js", "text/javascript")]
)
async def test_files(page: Open, name: str, media: str) -> None:
    """The stylesheet and the icon are served with their types and a validator; nothing else of the package is."""
    client = await page(readstore.calm())
    answer = await client.get(f"/static/{name}")
    assert (answer.status, answer.content_type) == (200, media)
    again = await client.get(f"/static/{name}", headers={"If-None-Match": answer.headers["ETag"]})
    assert again.status == 304
    for path in ("/static/", "/static/../app.py", "/static/%2e%2e/app.py", "/static/app.py"):
        assert (await client.get(path)).status == 404


async def test_answers_are_compressed_for_those_who_ask(page: Open) -> None:
    """With a validator of their own, and the same words inside; small answers are left alone."""
    client = await page(readstore.filling())
    async with ClientSession(auto_decompress=False) as raw:
        plain = await raw.get(client.make_url("/"), headers={"Accept-Encoding": "identity"})
        packed = await raw.get(client.make_url("/"), headers={"Accept-Encoding": "gzip"})
        body, small = await plain.read(), await packed.read()
    assert "Content-Encoding" not in plain.headers
    assert (packed.headers["Content-Encoding"], packed.headers["Vary"]) == ("gzip", "Accept-Encoding")
    assert gzip.decompress(small) == body
    assert len(small) < len(body) / 3
    assert packed.headers["ETag"] != plain.headers["ETag"]
    known = {"Accept-Encoding": "gzip", "If-None-Match": packed.headers["ETag"]}
    assert (await client.get("/", headers=known)).status == 304
    icon = await client.get("/static/icon.svg", headers={"Accept-Encoding": "gzip"})
    assert "Content-Encoding" not in icon.headers


async def test_the_page_can_be_installed(page: Open) -> None:
    """The manifest (W3C Web Application Manifest) is linked, valid JSON, and names only files of this site."""
    client = await page(readstore.calm())
    assert '<link rel="manifest" href="/static/app.webmanifest">' in await (await client.get("/")).text()
    answer = await client.get("/static/app.webmanifest")
    assert answer.content_type == "application/manifest+json"
    manifest = json.loads(await answer.text())
    assert {"name", "start_url", "display", "icons"} <= set(manifest)
    for each in (manifest["start_url"], *(f"{icon['src']}" for icon in manifest["icons"])):
        assert (await client.get(urljoin("/static/app.webmanifest", each))).status == 200


async def test_a_client_that_leaves_before_its_answer_is_no_error(caplog: pytest.LogCaptureFixture) -> None:
    """A browser that goes elsewhere while a stream begins: the log stays empty."""

    async def handler(request: web.Request) -> web.StreamResponse:
        assert request.transport is not None
        request.transport.close()
        answer = web.StreamResponse()
        await answer.prepare(request)
        raise AssertionError("a closing connection was written to")

    app = web.Application(middlewares=[answer_errors(lambda *_: web.Response(), "")])
    app.router.add_get("/", handler)
    async with TestClient(TestServer(app)) as client:
        with pytest.raises(ClientError):
            await client.get("/")
    assert caplog.records == []
