"""A service's page and the API say how long it did not answer."""

from dataclasses import replace
from datetime import timedelta

from tests.support import readstore
from tests.support.readstore import NOW, ReadStoreDouble
from tests.web.conftest import Open
from watchkeeper.model.records import Sample


def service(*, first: timedelta = timedelta(days=2)) -> ReadStoreDouble:
    """hide-hub, out for 68 s yesterday at 07:24:11 (UTC)."""
    store = ReadStoreDouble()
    made = store.answer("service hide-hub", 0.04)
    store.all_series[0] = replace(made, first_at=NOW - first)
    day_s = NOW.timestamp() - 86_400
    store.history[made.key] = [
        Sample(NOW.timestamp() - first.total_seconds(), 0.04, None),
        Sample(day_s, None, None),
        Sample(day_s + 68, 0.05, None),
    ]
    return store


async def test_the_page_of_a_service(page: Open) -> None:
    """Day, week, month and year, and the outage with its true times."""
    text = await (await (await page(service())).get("/subjects/1")).text()
    assert "<dt>Wed 25 Nov 2026</dt><dd>always answered</dd>" in text
    for name in ("week 48 of 2026", "November 2026", "2026"):
        assert f"<dt>{name}</dt><dd>no answer for 68 s, 1 outage; answered 99.96 %</dd>" in text
    assert "<li>Tue 24 Nov 08:24:11 to Tue 24 Nov 08:25:19, 68 s</li>" in text


async def test_a_service_that_was_just_added(page: Open) -> None:
    """Nothing is known yet, and nothing fails."""
    text = await (await (await page(service(first=timedelta()))).get("/subjects/1")).text()
    assert '<h2 id="availability">' in text


async def test_a_level_has_no_availability(page: Open) -> None:
    """Only what answers has one."""
    client = await page(readstore.calm())
    assert '<h2 id="availability">' not in await (await client.get("/subjects/1")).text()


async def test_the_api(page: Open) -> None:
    """One service or all, by the periods asked for, and the ways to ask wrongly."""
    client = await page(service())
    found = await (await client.get("/api/v1/availability?since=36h&by=month&subject=service+hide-hub")).json()
    (one,) = found["items"]
    assert (one["period"], one["total"]["no_answer_s"], one["total"]["outages"]) == ("month", 68, 1)
    times = {"since": "2026-11-24T07:24:11.000Z", "until": "2026-11-24T07:25:19.000Z"}
    assert one["outages"] == [{**times, "no_answer_s": 68, "reason": ""}]
    assert (await (await client.get("/api/v1/availability?subject=tide-log")).json()) == {"items": []}
    for query in ("since=2030-01-01T00:00:00Z", "by=decade", "since=99999d", "until=1d"):
        assert (await client.get(f"/api/v1/availability?{query}")).status == 400
    assert (await client.get("/api/v1/availability?since=9999d&by=week")).status == 200
