"""Acting on a station: an acknowledgement is asked of the host, and what only the host can do is said as that."""

from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest
from aiohttp import CookieJar
from aiohttp.test_utils import TestClient, TestServer

from tests.support import readstore
from tests.support.acting import ActingDouble, password_file
from tests.web.auth.test_actions import Station
from tests.web.conftest import ISLAND, Client, FixedClock, FixedVitals
from tests.web.dashboard.test_hosts import HostsDouble
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import SeriesKey
from watchkeeper.web.app import make_app
from watchkeeper.web.settings import PageSettings

POOL = SeriesKey("gannet: pool skerry", "space")
HUB = SeriesKey("gannet: service hide-hub", "answer")


@pytest.fixture
async def station(tmp_path: Path) -> AsyncIterator[Callable[[HostsDouble], Awaitable[Station]]]:
    """Opens the page of a station, signed in."""
    opened: list[Client] = []

    async def make(hosts: HostsDouble) -> Station:
        settings = PageSettings.model_validate({"password": password_file(tmp_path)})
        acting = ActingDouble(hosts)
        for each in (await hosts.gather()).known.values():  # as the common store lists them
            hosts.all_series += each.series
            hosts.seen += each.latest
            hosts.found += each.findings
            hosts.raised += each.alerts
        app = make_app(hosts, settings, FixedClock(), FixedVitals(), "puffin", ISLAND, acting, hosts=hosts)
        client: Client = TestClient(TestServer(app), cookie_jar=CookieJar(unsafe=True))
        await client.start_server()
        opened.append(client)
        found = Station(client, acting, settings)
        assert await found.sign_in() == 303
        return found

    yield make
    for client in opened:
        await client.close()


async def series_id(of: HostsDouble, key: SeriesKey) -> int:
    """The number of a host's series on the page."""
    return next(s.id for each in of.known_hosts() for s in each.records.series if s.key == key)


async def test_an_acknowledgement_is_asked_of_the_host(station: Callable[[HostsDouble], Awaitable[Station]]) -> None:
    """The station's own pipeline is not asked, and the page says that it is not done yet."""
    hosts = HostsDouble(hosts={"gannet": readstore.filling()})
    found = await station(hosts)
    number = await series_id(hosts, HUB)
    sent = await found.send(f"/subjects/{number}/acknowledge", concern="not_answering")
    assert sent == (303, f"/subjects/{number}")
    assert hosts.asked == [(HUB, Concern.NOT_ANSWERING, "puffin")]
    page = await found.text(f"/subjects/{number}")
    assert "gannet was asked to acknowledge it. The event log says what came of it" in page
    assert "Acknowledged." not in page


async def test_what_does_not_wait_for_it_is_said(station: Callable[[HostsDouble], Awaitable[Station]]) -> None:
    """No such alert on the host; and an archive that cannot be written."""
    hosts = HostsDouble(hosts={"gannet": readstore.filling()})
    found = await station(hosts)
    number = await series_id(hosts, POOL)
    await found.send(f"/subjects/{number}/acknowledge", concern="full")
    assert "There is no active alert to acknowledge." in await found.text(f"/subjects/{number}")
    hosts.refusal = "the archive on jetty.example.org: the connection was refused"
    data = {"word": await found.word(), "concern": "full"}
    answer = await found.client.post(f"/subjects/{number}/acknowledge", data=data, headers={"Accept": "text/html"})
    assert answer.status == 503
    assert "gannet could not be asked to acknowledge it: the archive on jetty.example.org" in await answer.text()


@pytest.mark.parametrize(
    ("path", "fields"),
    [
        ("shelve", {"concern": "full", "for": "1d"}),
        ("unshelve", {"concern": "full"}),
        ("maintenance", {"for": "2h"}),
        ("maintenance", {"for": "end"}),
    ],
)
async def test_what_only_the_host_can_do(
    station: Callable[[HostsDouble], Awaitable[Station]], path: str, fields: dict[str, str]
) -> None:
    """The page offers no form for it, and one that is sent all the same says so."""
    hosts = HostsDouble(hosts={"gannet": readstore.filling()})
    found = await station(hosts)
    number = await series_id(hosts, POOL)
    page = await found.text(f"/subjects/{number}")
    assert "Only gannet itself shelves alerts, plans maintenance and takes notes about this" in page
    assert f"/subjects/{number}/{path}" not in page
    await found.send(f"/subjects/{number}/{path}", **fields)
    assert "Only gannet itself can do that" in await found.text(f"/subjects/{number}")


async def test_a_note_about_a_hosts_subject(station: Callable[[HostsDouble], Awaitable[Station]]) -> None:
    """It would be in the station's event log, where nobody looks for it."""
    hosts = HostsDouble(hosts={"gannet": readstore.filling()})
    found = await station(hosts)
    number = await series_id(hosts, POOL)
    await found.send("/operator/note", text="Snapshot removed.", series=str(number))
    assert "Only gannet itself can do that" in await found.text(f"/subjects/{number}")
