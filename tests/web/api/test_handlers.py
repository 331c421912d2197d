"""The JSON API: every route, its parameters, its paging."""

import json
from dataclasses import replace
from datetime import UTC, timedelta
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from yarl import URL

from tests.support import readstore
from tests.support.readstore import GIB, HOUR, NOW, ReadStoreDouble
from tests.web.conftest import ASKED, Client, HandClock, Open
from watchkeeper.model.alert import Alert, Concern, Priority
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.observation import Deadline, Level, SeriesKey
from watchkeeper.model.operator.decision import Decision, RouteChoice
from watchkeeper.model.records import Sample
from watchkeeper.web.context import RECORD_AGE_S, HostRecord
from watchkeeper.web.dashboard.health import Check, HealthReport
from watchkeeper.web.routes import ROUTES
from watchkeeper.web.settings import PageSettings


async def get(client: Client, path: str, status: int = 200) -> Any:
    """The JSON body of an answer, which has no NaN in it."""
    answer = await client.get(path)
    assert answer.status == status, await answer.text()
    return json.loads(await answer.read(), parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))


@pytest.mark.parametrize("state", ["calm", "filling", "full", "fresh"])
async def test_every_route_answers(page: Open, state: str) -> None:
    """In every state each route of the table gives JSON of its own media type."""
    store: ReadStoreDouble = getattr(readstore, state)()
    client = await page(store)
    for route in ROUTES:
        if not route.media.endswith("json") or ("{" in route.path and not store.all_series):
            continue
        answer = await client.get(route.path.replace("{id}", "1") + ASKED.get(route.path, ""))
        assert (answer.status, answer.content_type) == (200, route.media), route.path
        json.loads(await answer.read())


async def test_index_describes_every_route(page: Open) -> None:
    """/api lists each path of the API with its parameters and what they take."""
    found = await get(await page(readstore.fresh()), "/api")
    assert [r["path"] for r in found["routes"]] == [
        "/api",
        "/api/openapi.json",
        "/api/v1/status",
        "/api/v1/quantities",
        "/api/v1/hosts",
        "/api/v1/quantities/{id}",
        "/api/v1/quantities/{id}/history",
        "/api/v1/quantities/{id}/history.csv",
        "/api/v1/availability",
        "/api/v1/raised",
        "/api/v1/findings",
        "/api/v1/decisions",
        "/api/v1/report",
        "/api/v1/sheet",
        "/api/v1/maintenance",
        "/api/v1/events",
        "/api/v1/changes",
        "/api/v1/outbox",
        "/api/v1/capacity",
        "/api/v1/preflight",
        "/api/v1/reclaim",
        "/api/v1/backups",
        "/api/v1/stream",
        "/api/v1/health",
    ]
    samples = next(r for r in found["routes"] if r["path"].endswith("/history"))
    assert [(p["name"], p["in"]) for p in samples["parameters"]] == [
        ("id", "path"), ("since", "query"), ("until", "query"), ("points", "query"),
    ]  # fmt: skip
    assert samples["statuses"] == [200, 400, 404]
    assert all(p["description"] and p["allowed"] and p["schema"]["type"] for p in samples["parameters"])


async def test_decisions_are_about_a_subject(page: Open) -> None:
    """With what each notifier's route decided; without a subject the answer says what is missing."""
    store = readstore.full()
    key, at = store.all_series[0].key, store.now - timedelta(days=2)
    routes = (RouteChoice("mail"), RouteChoice("phone", 'at_least is "alarm"'), RouteChoice("pager", held_until=at))
    store.kept_decisions += [
        Decision(key, Concern.FULL, at, ("98 % used",)),
        Decision(key, Concern.FULL, at, (), "t-1", "pool skerry full", routes),
        Decision(key, Concern.FULL, at - timedelta(days=20), ("old",)),
    ]
    client = await page(store)
    address = f"/api/v1/decisions?subject={quote(key.subject)}"
    rule, sent = (await get(client, address))["items"]
    assert (rule["steps"], rule["message_id"], rule["notifiers"]) == (["98 % used"], None, [])
    assert [each["not_sent_because"] for each in sent["notifiers"]] == [None, 'at_least is "alarm"', None]
    assert [each["held_until"] is None for each in sent["notifiers"]] == [True, True, False]
    assert len((await get(client, f"{address}&since=2026-01-01T00:00:00Z"))["items"]) == 3
    assert (await client.get("/api/v1/decisions")).status == 400
    text = await (await client.get(f"/subjects/{store.all_series[0].id}")).text()
    assert "Why it was or was not sent" in text
    assert "phone: not sent: at_least is" in text


async def test_what_changed_on_the_host(page: Open) -> None:
    """Newest first, between two times, at most as many as asked for."""
    store = readstore.fresh()
    one = Change(NOW - timedelta(hours=5), ChangeKind.PACKAGE, "openssl", "upgraded", "from 3.0.9 to 3.0.11")
    two = replace(one, at=NOW - timedelta(hours=2), after=NOW - timedelta(hours=3))
    store.changed = [one, two, replace(one, at=NOW - timedelta(days=3))]
    client = await page(store)
    found = (await get(client, "/api/v1/changes"))["items"]
    assert [(each["at"], each["not_before"]) for each in found] == [
        ("2026-11-25T05:24:11.000Z", "2026-11-25T04:24:11.000Z"),
        ("2026-11-25T02:24:11.000Z", None),
    ]
    assert len((await get(client, "/api/v1/changes?since=7d&limit=500"))["items"]) == 3


async def test_board(page: Open) -> None:
    """The board has the page's order and parts, with instants in UTC."""
    found = await get(await page(readstore.filling()), "/api/v1/status")
    assert found["host"] == "gannet"
    assert found["at"] == "2026-11-25T07:24:11.000Z"
    assert [a["subject"] for a in found["active"]] == ["pool skerry", "snapshots of nest-cams", "file system /srv"]
    assert [a["priority"] for a in found["active"]] == ["warning", "warning", "caution"]
    assert len(found["acknowledged"]) == len(found["rectified"]) == 1
    pool = next(p for p in found["time_left"] if p["subject"] == "pool skerry" and p["concern"] == "full")
    assert pool["time_left_s"] == round(timedelta(days=3.1).total_seconds())
    assert pool["earliest_at"] < pool["expected_at"] < pool["latest_at"]
    assert {"reason", "quantity_id", "subject", "quantity", "unusual_growth"} == set(found["ok"][0])


async def test_what_is_inside_what(page: Open) -> None:
    """The tree of the page: stores with what is on them, each with its own quantities and its alerts' priority."""
    client = await page(readstore.full())
    ids = {s["id"]: s["subject"] for s in (await get(client, "/api/v1/quantities"))["items"]}
    tree = (await get(client, "/api/v1/status"))["tree"]
    pool = next(each for each in tree if each["subject"] == "pool skerry")
    assert [pool["priority"], *(each["priority"] for each in pool["inside"])] == ["alarm"] * 5
    assert {each["subject"] for each in pool["inside"]} == {f"guest {name}" for name in readstore.GUESTS}
    hub = next(each for each in pool["inside"] if each["subject"] == "guest hide-hub")
    assert [(each["subject"], each["priority"], each["inside"]) for each in hub["inside"]] == [
        ("service hide-hub", "warning", [])
    ]
    assert {ids[each] for each in hub["inside"][0]["quantity_ids"]} == {"service hide-hub"}
    assert next(each for each in tree if each["subject"] == "memory")["priority"] is None


async def test_series(page: Open) -> None:
    """A series is listed, and found by its id with its newest observation, findings and alerts."""
    client = await page(readstore.filling())
    items = (await get(client, "/api/v1/quantities"))["items"]
    pool = next(s for s in items if (s["subject"], s["quantity"]) == ("pool skerry", "space"))
    one = await get(client, f"/api/v1/quantities/{pool['id']}")
    assert one["latest"]["used"] == 1.86 * 1024 * GIB
    assert one["latest"]["details"] == [{"name": "device", "value": "dm-3"}]
    assert {f["concern"] for f in one["findings"]} == {"full", "not_reporting"}
    assert [a["state"] for a in one["alerts"]] == ["active"]
    assert one["findings"][0]["forecast"]["growth_per_day"] > 0


async def test_the_record_of_a_levels_forecasts(page: Open) -> None:
    """What became of them, in one line and in numbers; null for another kind."""
    store = readstore.filling()
    store.scored(SeriesKey("pool skerry", "space"), 41, 38)
    client = await page(store)
    items = {(s["subject"], s["quantity"]): s["id"] for s in (await get(client, "/api/v1/quantities"))["items"]}
    pool = await get(client, f"/api/v1/quantities/{items['pool skerry', 'space']}")
    line = "of 41 forecasts whose time has come, 38 held; median error 12 %; full once, with a warning early enough"
    assert pool["forecast_record"] == {
        "summary": line,
        "forecasts": 41,
        "held": 38,
        "cut_short": 0,
        "median_error": 0.12,
        "fills": 1,
        "warned_in_time": 1,
    }
    scrub = await get(client, f"/api/v1/quantities/{items['pool skerry', 'scrub']}")
    assert scrub["forecast_record"] is None
    reader = await client.get(f"/subjects/{items['pool skerry', 'space']}", headers={"Accept": "text/html"})
    assert f"O{line[1:]}." in await reader.text()
    other = await client.get(f"/subjects/{items['file system /', 'space']}", headers={"Accept": "text/html"})
    assert "whose time has come" not in await other.text()


async def test_the_record_of_all_forecasts(page: Open) -> None:
    """The status has the record of all levels together; it is read again once it has aged."""
    store, clock, record = readstore.filling(), HandClock(), HostRecord()
    store.scored(SeriesKey("pool skerry", "space"), 30, 28)
    store.scored(SeriesKey("file system /", "space"), 11, 10)
    told = (await get(await page(store), "/api/v1/status"))["forecast_record"]
    assert told["summary"].startswith("of 41 forecasts whose time has come, 38 held; median error 12 %")
    assert (await record.read(store, clock.s)).count == 41
    store.scored(SeriesKey("guest tide-log", "space"), 1, 1)
    assert (await record.read(store, clock.s)).count == 41
    assert (await record.read(store, clock.s + RECORD_AGE_S)).count == 42


OBSERVED = {
    "level": {"used", "capacity", "unit"},
    "deadline": {"due_at", "last_done_at", "period_s"},
    "answer": {"answered", "reason", "response_time_s", "phases"},
    "condition": {"ok", "reason", "failed"},
}


@pytest.mark.parametrize(
    ("kind", "names"),
    [
        ("level", {"at", "used", "capacity"}),
        ("deadline", {"at", "due_at"}),
        ("answer", {"at", "answered", "response_time_s"}),
        ("condition", {"at", "ok"}),
    ],
)
async def test_samples_by_kind(page: Open, kind: str, names: set[str]) -> None:
    """A sample's values carry the names that its kind gives them."""
    client = await page(readstore.filling())
    one = next(s for s in (await get(client, "/api/v1/quantities"))["items"] if s["kind"] == kind)
    latest = (await get(client, f"/api/v1/quantities/{one['id']}"))["latest"]
    assert OBSERVED[kind] < set(latest)
    found = await get(client, f"/api/v1/quantities/{one['id']}/history")
    assert found["kind"] == kind
    assert set(found["items"][0]) == names
    assert found["stored_count"] == len(found["items"]) == 48


async def test_samples_window_and_points(page: Open) -> None:
    """Since and until choose, as instants or as how long ago; points thins and says how many there were."""
    client = await page(readstore.calm())
    whole = await get(client, "/api/v1/quantities/1/history?since=10d&points=20")
    assert whole["stored_count"] == 480
    assert 8 < len(whole["items"]) <= 20
    named = await get(
        client, "/api/v1/quantities/1/history?since=2026-11-24T00:00:00%2B01:00&until=2026-11-24T12:00:00Z"
    )
    assert (named["since"], named["until"]) == ("2026-11-23T23:00:00.000Z", "2026-11-24T12:00:00.000Z")
    assert all(named["since"] <= s["at"] <= named["until"] for s in named["items"])
    unescaped = await get(client, "/api/v1/quantities/1/history?since=2026-11-24T00:00:00+01:00")
    assert unescaped["since"] == named["since"]


@pytest.mark.parametrize(
    ("path", "parameter"),
    [
        ("/api/v1/quantities/1/history?since=yesterday", "since"),
        ("/api/v1/quantities/1/history?since=2026-11-24", "since"),
        ("/api/v1/quantities/1/history?until=9999999999999d", "until"),
        ("/api/v1/quantities/1/history?since=0001-01-01T00:00:00%2B14:00", "since"),
        ("/api/v1/quantities/1/history?since=1h&until=2h", "since"),
        ("/api/v1/quantities/1/history?points=3", "points"),
        ("/api/v1/quantities/1/history?points=ten", "points"),
        ("/api/v1/quantities/1/history?points=%D9%A4%D9%A2", "points"),
        ("/api/v1/events?limit=0", "limit"),
        ("/api/v1/events?limit=501", "limit"),
        ("/api/v1/events?limit=5&limit=6", "limit"),
        ("/api/v1/events?before=-1", "before"),
        ("/api/v1/outbox?limit=x", "limit"),
        ("/api/v1/events?lmit=5", "lmit"),
        ("/api/v1/status?at=now", "at"),
    ],
)
async def test_bad_values_are_named(page: Open, path: str, parameter: str) -> None:
    """A bad value is a 400 with problem details that name the parameter and what is allowed."""
    client = await page(readstore.calm())
    answer = await client.get(path)
    body = await answer.json(content_type="application/problem+json")
    assert answer.status == body["status"] == 400
    assert body["parameter"] == parameter
    assert "allowed" in body
    assert parameter in body["detail"]


@pytest.mark.parametrize(
    "path", ["/api/v1/quantities/99", "/api/v1/quantities/x", "/api/v1/quantities/0x1/history", "/api/nothing"]
)
async def test_missing_things(page: Open, path: str) -> None:
    """What there is not is a 404 with problem details."""
    body = await get(await page(readstore.calm()), path, 404)
    assert body["title"] == "Not Found"
    assert body["instance"] == path


async def test_journal_pages_lead_to_the_oldest_line(page: Open) -> None:
    """Following the Link fields (RFC 8288) gives every line once, newest first, and then ends."""
    store = readstore.fresh()
    for i in range(23):
        store.note(NOW + timedelta(seconds=i), f"line {i}")
    client, path, texts, pages = await page(store), "/api/v1/events?limit=5", [], 0
    while path:
        answer = await client.get(path)
        texts += [line["text"] for line in (await answer.json())["items"]]
        link = answer.links.get("next")
        path = URL(link["url"]).raw_path_qs if link else ""
        pages += 1
    assert texts == [f"line {i}" for i in range(22, -1, -1)]
    assert pages == 5


async def test_journal_link_carries_the_prefix(page: Open) -> None:
    """Behind a proxy the link to older lines is one that the reader can follow."""
    store = readstore.fresh()
    for i in range(3):
        store.note(NOW, f"line {i}")
    client = await page(store, PageSettings(prefix="/watch"))
    answer = await client.get("/watch/api/v1/events?limit=1")
    url = urlsplit(answer.headers["Link"].partition(">")[0][1:])
    assert url.path == "/watch/api/v1/events"
    assert parse_qs(url.query) == {"before": ["3"], "limit": ["1"]}


async def test_outbox_shows_trouble_and_no_body(page: Open) -> None:
    """An open delivery is listed with its tries; the message's text is the receiver's."""
    (item,) = (await get(await page(readstore.filling()), "/api/v1/outbox"))["items"]
    assert (item["notifier"], item["attempts"], item["last_error"]) == ("mail", 2, "connection refused")
    assert set(item["message"]) == {"id", "thread", "headline"}


async def test_alerts_and_findings(page: Open) -> None:
    """Alerts and findings name their series by its id."""
    client = await page(readstore.filling())
    ids = {s["id"]: s["subject"] for s in (await get(client, "/api/v1/quantities"))["items"]}
    for path in ("/api/v1/raised", "/api/v1/findings"):
        for item in (await get(client, path))["items"]:
            assert ids[item["quantity_id"]] == item["subject"]


async def test_shelved_until(page: Open) -> None:
    """A shelving is told while it lasts, and not after it has run out."""
    store = readstore.fresh()
    key = SeriesKey("memory", "in use")
    lasting = Alert(key, Concern.FULL, priority=Priority.CAUTION, shelved_until=NOW + HOUR)
    store.raised = [lasting, replace(lasting, shelved_until=NOW - HOUR)]
    items = (await get(await page(store), "/api/v1/raised"))["items"]
    assert [i["shelved_until"] for i in items] == ["2026-11-25T08:24:11.000Z", None]


@pytest.mark.parametrize(
    ("fitness", "status"), [(HealthReport.PASS, 200), (HealthReport.WARN, 200), (HealthReport.FAIL, 503)]
)
async def test_health(page: Open, fitness: HealthReport, status: int) -> None:
    """draft-inadarei-api-health-check-06: pass and warn answer 2xx, fail 5xx; each check is an array of objects."""
    checks = (
        Check("store", "writes", HealthReport.PASS, observed=0.0, unit="records", at=NOW),
        Check("probes", "runs", fitness, "" if fitness is HealthReport.PASS else "the probe of /srv hangs"),
    )
    client = await page(readstore.calm(), None, *checks)
    answer = await client.get("/api/v1/health")
    body = await answer.json(content_type="application/health+json")
    assert answer.status == status
    assert body["status"] == fitness.value
    assert body["checks"]["store:writes"] == [
        {"status": "pass", "observedValue": 0.0, "observedUnit": "records", "time": "2026-11-25T07:24:11.000Z"}
    ]
    assert ("output" in body) == (fitness is not HealthReport.PASS)


async def test_figures_that_json_cannot_hold(page: Open) -> None:
    """Infinities and instants beyond the calendar become null, names that are not UTF-8 a replacement sign."""
    store, key = readstore.fresh(), SeriesKey("file system /\udcff", "space")
    made = store.add(Level(key, float("inf"), float("nan")), None)
    store.history[key] = [Sample(NOW.timestamp() - 60, float("inf"), float("nan"))]
    late = SeriesKey("snapshots", "age of the newest")
    store.add(Deadline(late, None), None)
    store.history[late] = [Sample(NOW.timestamp() - 60, 1e300, None), Sample(NOW.timestamp(), None, None)]
    client = await page(store)
    one = await get(client, f"/api/v1/quantities/{made.id}")
    assert (one["latest"]["used"], one["latest"]["capacity"]) == (None, None)
    assert (await get(client, "/api/v1/quantities/1/history"))["items"][0]["used"] is None
    assert [s["due_at"] for s in (await get(client, "/api/v1/quantities/2/history"))["items"]] == [None, None]


async def test_unchanged_answer_is_not_sent_again(page: Open) -> None:
    """A reader that has the answer already gets 304 without a body (RFC 9110, 15.4.5)."""
    client = await page(readstore.calm())
    first = await client.get("/api/v1/quantities")
    again = await client.get("/api/v1/quantities", headers={"If-None-Match": first.headers["ETag"]})
    assert (again.status, await again.read()) == (304, b"")
    assert again.headers["ETag"] == first.headers["ETag"]
    other = await client.get("/api/v1/quantities", headers={"If-None-Match": '"other"'})
    assert other.status == 200
    anything = await client.get("/api/v1/quantities", headers={"If-None-Match": "*"})
    assert anything.status == 304


CALM = readstore.calm()
"""Only read, and slow to make for each example."""


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    path=st.sampled_from(["events", "outbox", "quantities/1/history", "quantities/1"]),
    name=st.sampled_from(["limit", "before", "since", "until", "points", "x"]),
    value=st.text(max_size=30)
    | st.integers().map(str)
    | st.datetimes().map(lambda d: d.replace(tzinfo=UTC).isoformat()),
)
async def test_no_value_breaks_the_server(page: Open, path: str, name: str, value: str) -> None:
    """Whatever stands in the query, the answer is a good one or a problem of the asker's."""
    client = await page(CALM)
    answer = await client.get(f"/api/v1/{path}", params={name: value.encode("utf-8", "replace").decode()})
    assert answer.status in {200, 400}
    await client.close()
