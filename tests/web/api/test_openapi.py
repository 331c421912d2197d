"""The API's description against the routes and against what they answer, under a fixed budget of requests."""

import csv
import io
import json
import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import pytest
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from yarl import URL

from tests.support import readstore
from tests.support.readstore import ReadStoreDouble
from tests.support.schema import faults, resolved
from tests.web.conftest import ASKED, Client, Open, app_of
from watchkeeper.model.observation import Kind
from watchkeeper.web.api.meanings import COMMON, OWN
from watchkeeper.web.api.openapi import openapi
from watchkeeper.web.auth import job_reports
from watchkeeper.web.dashboard.health import Check, HealthReport
from watchkeeper.web.moved import PATHS as MOVED
from watchkeeper.web.routes import ROUTES
from watchkeeper.web.settings import PageSettings

DOCUMENT: dict[str, Any] = json.loads(json.dumps(openapi((r for r in ROUTES if r.of_api), "")))
REQUESTS = 300
"""How many requests are drawn from the description; each goes to one of three states."""
RENAMED = {(each.path, each.method.lower()) for each in MOVED}
"""Answered with 410 (test_moved.py), so there is nothing to describe."""
PATHS = [path for path, methods in DOCUMENT["paths"].items() if "get" in methods and not path.endswith("/stream")]


def references(node: Any) -> list[str]:
    """Every reference within the document."""
    if isinstance(node, dict):
        own = [node["$ref"]] if "$ref" in node else []
        return own + [ref for each in node.values() for ref in references(each)]
    return [ref for each in node for ref in references(each)] if isinstance(node, list) else []


def test_the_routes_are_described_and_no_others() -> None:
    """Each path below /api is described with its method, and besides them only where a job reports."""
    app = app_of(readstore.fresh())
    served = {
        (route.resource.canonical, route.method.lower())
        for route in app.router.routes()
        if route.resource is not None and route.resource.canonical.startswith("/api") and route.method != "HEAD"
    }
    found = {(path, method) for path, methods in DOCUMENT["paths"].items() for method in methods}
    assert found == (served - RENAMED) | {(job_reports.PATH, "post")}


def test_the_description_hangs_together() -> None:
    """Every reference leads somewhere, every part of a path is a parameter, and each operation has its own name."""
    assert DOCUMENT["openapi"] == "3.1.0"
    for each in references(DOCUMENT):
        assert resolved(each, DOCUMENT)
    names = []
    for path, methods in DOCUMENT["paths"].items():
        (operation,) = methods.values()
        names.append(operation["operationId"])
        parts = {p["name"] for p in operation["parameters"] if p["in"] == "path"}
        assert parts == set(re.findall(r"\{(\w+)\}", path))
        needed = {p["name"] for p in operation["parameters"] if p["required"]}
        asks = path in {"/api/v1/preflight", "/api/v1/decisions"}
        assert needed == parts | ({"subject"} if asks else set())
        assert all(p["description"] for p in operation["parameters"])
        assert operation["summary"].endswith(".")
    assert len(names) == len(set(names))


def members(schema: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Each member of an object and of the objects in it, with its schema."""
    for name, each in schema.get("properties", {}).items():
        yield name, each
        yield from members(each)
    for inner in (*schema.get("anyOf", ()), *([schema["items"]] if "items" in schema else [])):
        yield from members(inner)


def test_every_member_has_a_meaning_and_every_meaning_a_member() -> None:
    """A reader of the description or of the manual learns what each member means; no text is left over."""
    schemas: dict[str, dict[str, Any]] = DOCUMENT["components"]["schemas"]
    found = [(form, name, each.get("description", "")) for form in schemas for name, each in members(schemas[form])]
    assert {(form, name) for form, name, text in found if not text.endswith(".")} == set()
    assert {name for _, name, _ in found} >= set(COMMON)
    assert {(form, name) for form, name, _ in found} >= {(form, name) for form in OWN for name in OWN[form]}


async def test_it_is_served_with_the_prefix_as_its_server(page: Open) -> None:
    """Behind a proxy the paths stand below the prefix, which the description names."""
    client = await page(readstore.fresh(), PageSettings(prefix="/watch"))
    found = await (await client.get("/watch/api/openapi.json")).json()
    assert found["servers"] == [{"url": "/watch"}]
    assert found["paths"] == DOCUMENT["paths"]
    index = await (await client.get("/watch/api")).json()
    assert index["openapi"] == "/watch/api/openapi.json"


async def described(client: Client, path: str, url: URL, headers: dict[str, str] | None = None) -> int:
    """Ask, and hold the answer to the description: its status, its type, its body; the status."""
    answer = await client.get(url, headers=headers)
    body = await answer.read()
    responses = DOCUMENT["paths"][path]["get"]["responses"]
    assert str(answer.status) in responses, (url, answer.status)
    if answer.status == 304:
        assert body == b""
        return 304
    content = responses[str(answer.status)]["content"]
    assert answer.content_type in content, (url, answer.content_type)
    if answer.content_type.endswith("json"):
        value = json.loads(body, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
        assert list(faults(value, content[answer.content_type]["schema"], DOCUMENT)) == [], url
    return answer.status


@pytest.mark.parametrize("state", ["calm", "filling", "full", "fresh"])
async def test_every_answer_is_as_described(page: Open, state: str) -> None:
    """In every state, for every series: what is answered fits its schema to the last member."""
    store: ReadStoreDouble = getattr(readstore, state)()
    client = await page(store)
    for path in PATHS:
        for series in store.all_series if "{id}" in path else (None,):
            url = path.replace("{id}", str(series.id)) if series else path
            assert await described(client, path, URL(url + ASKED.get(path, ""))) == 200


async def test_a_failing_watch_is_as_described(page: Open) -> None:
    """503 of the health route has the health form too."""
    bad = Check("store", "room", HealthReport.FAIL, "no room", 0.0, "B", readstore.NOW)
    client = await page(readstore.calm(), None, bad)
    assert await described(client, "/api/v1/health", URL("/api/v1/health")) == 503


def values(parameter: dict[str, Any]) -> st.SearchStrategy[str]:
    """What somebody could write for a parameter: what its schema allows, its ends, and anything else."""
    schema = parameter["schema"]
    odd = st.one_of(
        st.text(max_size=12),
        st.sampled_from(["", "0", "-1", "1e3", "9" * 30, "NaN", "null", "../..", "%00", "١٢", "1;2", "true", " 1"]),
    )
    if schema["type"] == "integer":
        low, high = schema.get("minimum", 0), schema.get("maximum", 60)
        return st.one_of(
            st.integers(low, high).map(str), st.sampled_from([str(low - 1), str(high), str(high + 1)]), odd
        )
    instants = st.datetimes().map(lambda at: f"{at.isoformat()}Z")
    return st.one_of(st.sampled_from(["1h", "36h", "400d", "9999d", "0s"]), instants, odd)


@st.composite
def asked(draw: st.DrawFn) -> tuple[str, URL, dict[str, str]]:
    """A request drawn from the description, now and then with a parameter that nobody knows."""
    path = draw(st.sampled_from(PATHS))
    url, query = path, []
    for each in DOCUMENT["paths"][path]["get"]["parameters"]:
        value = draw(values(each))
        if each["in"] == "path":
            url = url.replace(f"{{{each['name']}}}", quote(value or "0", safe="", errors="replace"))
        elif draw(st.booleans()):
            query.append((each["name"], value))
    if draw(st.integers(0, 9)) == 0:
        query.append((draw(st.text(min_size=1, max_size=8)), "x"))
    written = "&".join(f"{quote(n, safe='', errors='replace')}={quote(v, safe='', errors='replace')}" for n, v in query)
    headers = draw(st.sampled_from([{}, {"If-None-Match": "*"}, {"If-None-Match": '"x"'}, {"Accept": "text/html"}]))
    return path, URL(f"{url}?{written}" if written else url, encoded=True), headers


@settings(
    max_examples=REQUESTS,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate, Phase.shrink],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(request=asked(), state=st.sampled_from(["filling", "full", "fresh"]))
def test_nothing_is_answered_that_is_not_described(
    clients: dict[str, tuple[Any, Client]], request: tuple[str, URL, dict[str, str]], state: str
) -> None:
    """Whatever is asked: no 5xx, and no status, type or member that the description does not have."""
    loop, client = clients[state]
    path, url, headers = request
    # A dot segment, or nothing at all, makes another path of it before it is sent.
    status = loop.run_until_complete(_described_or_elsewhere(client, path, url, headers))
    assert status < 500


async def _described_or_elsewhere(client: Client, path: str, url: URL, headers: dict[str, str]) -> int:
    pattern = re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(path))
    if not re.fullmatch(pattern, url.raw_path):
        answer = await client.get(url, headers=headers)
        return answer.status
    return await described(client, path, url, headers)


@pytest.fixture
def clients() -> Any:
    """A client for each state, on a loop of the test's own: Hypothesis calls plain functions."""
    import asyncio

    loop = asyncio.new_event_loop()
    made: dict[str, tuple[Any, Client]] = {}

    async def start(state: str) -> Client:
        client: TestClient[web.Request, web.Application] = TestClient(TestServer(app_of(getattr(readstore, state)())))
        await client.start_server()
        return client

    for state in ("filling", "full", "fresh"):
        made[state] = (loop, loop.run_until_complete(start(state)))
    yield made
    for _, client in made.values():
        loop.run_until_complete(client.close())
    loop.close()


@pytest.mark.parametrize(
    ("kind", "head"),
    [
        (Kind.LEVEL, ["at", "used", "capacity"]),
        (Kind.DEADLINE, ["at", "due_at"]),
        (Kind.ANSWER, ["at", "answered", "response_time_s"]),
        (Kind.CONDITION, ["at", "ok"]),
    ],
)
async def test_csv(page: Open, kind: Kind, head: list[str]) -> None:
    """RFC 4180: a header, as many fields in every line, CRLF at each end; the figures are those of the JSON form."""
    store = readstore.full()
    client = await page(store)
    series = next(s for s in store.all_series if s.kind is kind and s.key in store.history)
    answer = await client.get(f"/api/v1/quantities/{series.id}/history.csv?since=2d")
    assert answer.headers["Content-Type"] == "text/csv; charset=utf-8; header=present"
    assert answer.headers["Content-Disposition"] == f'attachment; filename="quantity-{series.id}.csv"'
    text = await answer.text()
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", "")
    lines = list(csv.reader(io.StringIO(text, newline="")))
    assert lines[0] == head
    url = f"/api/v1/quantities/{series.id}/history?since=2d&points=10000"
    known = (await (await client.get(url)).json())["items"]
    assert len(lines) == len(known) + 1 > 50
    for line, form in zip(lines[1:], known, strict=True):
        assert line == ["" if v is None else str(v).lower() if isinstance(v, bool) else str(v) for v in form.values()]
