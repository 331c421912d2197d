"""The page over several hosts: what is active is open, a quiet host is one line, and nothing that matters is hidden."""

import json
import re
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import pytest
from aiohttp.test_utils import TestClient, TestServer

from tests.support import readstore
from tests.support.readstore import DAY, GIB, NOW, ReadStoreDouble
from tests.web.conftest import ISLAND, Client, FixedClock, FixedVitals
from tests.web.dashboard.test_pages import Reader, read
from watchkeeper.archive.host_names import HOST_STEP, line_of, records_of
from watchkeeper.errors import ArchiveError
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.hosts import HostRecords, KnownHost, apart, heard_from, named
from watchkeeper.model.observation import Condition, SeriesKey
from watchkeeper.model.records import EventLine
from watchkeeper.web.api.json_forms import stamp
from watchkeeper.web.app import make_app
from watchkeeper.web.context import PageStore, records
from watchkeeper.web.dashboard.hosts.summary import DUE, Summaries, summarise
from watchkeeper.web.settings import PageSettings

ACTIVE = 10


@dataclass
class HostsDouble(ReadStoreDouble):
    """A station's own store, and those of its hosts."""

    hosts: Mapping[str, ReadStoreDouble] | None = None
    heard_at: datetime | None = NOW - timedelta(seconds=12)
    refusal: str = ""
    asked: list[tuple[SeriesKey, Concern, str]] = field(default_factory=list)

    @property
    def own(self) -> ReadStoreDouble:
        """The station's."""
        return ReadStoreDouble(
            all_series=self.all_series, seen=self.seen, found=self.found, raised=self.raised, lines=self.lines
        )

    async def gather(self) -> "HostsDouble":
        """Number the series of all hosts, and read what is known of them."""
        self.known = {}
        for number, (name, store) in enumerate((self.hosts or {}).items(), 1):
            if store.all_series and store.all_series[0].id < HOST_STEP:
                store.all_series = [replace(s, id=number * HOST_STEP + s.id) for s in store.all_series]
            self.known[name] = records_of(name, await records(store))
        return self

    def known_hosts(self) -> Sequence[KnownHost]:
        return [KnownHost(name, self.heard_at, each) for name, each in self.known.items()]

    def one_host(self, name: str) -> PageStore | None:
        return (self.hosts or {}).get(name)

    def beside(self, key: SeriesKey) -> PageStore:
        found = apart(key, self.known)
        return self.own if found is None else (self.hosts or {})[found[0]]

    async def request_acknowledgement(self, key: SeriesKey, concern: Concern, station: str) -> bool:
        if self.refusal:
            raise ArchiveError(self.refusal)
        self.asked.append((key, concern, station))
        return concern is Concern.NOT_ANSWERING

    async def events(self, **asked: object) -> Sequence[EventLine]:
        lines = [line_of(name, each) for name, store in (self.hosts or {}).items() for each in store.lines]
        return sorted(lines, key=lambda each: each.at, reverse=True)[: int(str(asked["limit"]))]


@pytest.fixture
async def station() -> AsyncIterator[Callable[..., Awaitable[Client]]]:
    """Opens the page of a station with these hosts."""
    opened: list[Client] = []

    async def open_client(own: HostsDouble) -> Client:
        app = make_app(await own.gather(), PageSettings(), FixedClock(), FixedVitals(), "station", ISLAND, hosts=own)
        client: Client = TestClient(TestServer(app))
        await client.start_server()
        opened.append(client)
        return client

    yield open_client
    for client in opened:
        await client.close()


def lines_of(page: str) -> list[str]:
    """The text of the section of hosts, one line for each."""
    part = page.partition('<h2 id="hosts">')[2].partition("</section>")[0]
    return [" ".join(re.sub("<[^>]*>", " ", each).split()) for each in part.split('<li><div class="thing')[1:]]


async def text_of(client: Client, path: str = "/") -> str:
    """A page as it is sent."""
    answer = await client.get(path)
    assert answer.status == 200
    return await answer.text()


async def test_a_quiet_host_is_one_line(station: Callable[..., Awaitable[Client]]) -> None:
    """Name, how full its fullest level is and its time left, how much is monitored, when it was heard from."""
    client = await station(HostsDouble(hosts={"petrel": readstore.calm(), "gannet": readstore.filling()}))
    page = await text_of(client)
    lines = lines_of(page)
    assert lines[0].startswith('unwell"> gannet')
    assert "need you" in lines[0]
    assert any("pool skerry" in each for each in lines[1:-1])
    assert "petrel" in lines[-1]
    assert "% memory not filling; no forecast yet: guest tide-log: disk;" in lines[-1]
    assert "monitored" in lines[-1]
    assert "heard from 12 s ago" in lines[-1]
    assert "hide-hub" not in lines[-1]
    reader = Reader()
    reader.feed(page)
    assert {"/hosts/petrel", "/hosts/gannet"} <= set(reader.links())
    assert "gannet: pool skerry full in about 3 days" in reader.text


async def test_what_matters_is_never_hidden(station: Callable[..., Awaitable[Client]]) -> None:
    """A level above 80 %, one that grows unusually, one without a forecast, a thing that nobody could look at."""
    store = readstore.calm()
    store.level("file system /var", "space", 850 * GIB, 900 * GIB, wave=1 * GIB)
    store.growing("file system /home", 100 * GIB, 900 * GIB)
    store.condition("probe smart", "runs", reason="smartctl is missing", faulty_for=DAY)
    client = await station(HostsDouble(hosts={"petrel": store, "fulmar": readstore.calm()}))
    lines = lines_of(await text_of(client))
    assert "petrel 94 %" in lines[0]
    assert "not checked" in lines[0]
    assert any("file system /var 94 %" in each for each in lines)
    young = ReadStoreDouble()
    young.add(readstore.calm().seen[0].observation, None)
    line = lines_of(await text_of(await station(HostsDouble(hosts={"petrel": young}))))[0]
    assert "no forecast yet: " in line
    assert "still learning" in line


async def test_a_silent_host_is_open(station: Callable[..., Awaitable[Client]]) -> None:
    """The station's own alert about it counts as its own; a host that never wrote says so."""
    own = HostsDouble(hosts={"petrel": readstore.calm(), "fulmar": readstore.calm()})
    key = heard_from("petrel")
    own.condition(key.subject, key.quantity, reason="since 03:10", faulty_for=DAY)
    own.alert(key, Concern.FAULTY, Priority.ALARM, DAY)
    page = await text_of(await station(own))
    assert "1 needs you" in lines_of(page)[0]
    assert "petrel" in lines_of(page)[0]
    page = await text_of(await station(HostsDouble(hosts={"petrel": ReadStoreDouble()}, heard_at=None)))
    assert "has not written yet" in lines_of(page)[0]
    assert "no level is monitored" in lines_of(page)[0]
    assert "No host has written to the archive yet." in await text_of(await station(HostsDouble(hosts={})))


async def test_the_page_of_one_host_has_everything(station: Callable[..., Awaitable[Client]]) -> None:
    """With the host's own names, its changes only, and links to the station's ids."""
    store = readstore.filling()
    for each in (store, other := readstore.calm()):
        at = NOW - timedelta(hours=8)
        each.changed.append(Change(at, ChangeKind.PACKAGE, "openssl" if each is other else "zlib", "upgraded"))
    own = HostsDouble(hosts={"gannet": store, "petrel": other})
    client = await station(own)
    reader = await read(client, "/hosts/gannet")
    assert "Snapshots of nest-cams are overdue by 2 days 4 h" in reader.text
    assert "All hosts" in reader.text
    assert "openssl" not in reader.text
    assert "/subjects/1000001" in reader.links()
    assert "gannet: pool skerry" not in reader.text
    assert "/hosts/petrel" not in reader.links()
    assert not [each for each in reader.links() if each.startswith("/capacity?")]
    reader = await read(client, "/")
    assert "openssl" not in reader.text
    await read(client, "/hosts/puffin", 404)


async def test_a_daemon_has_no_page_of_hosts(page: Callable[..., Awaitable[Client]]) -> None:
    """404, and an empty list."""
    client = await page(readstore.calm())
    await read(client, "/hosts/gannet", 404)
    assert json.loads(await text_of(client, "/api/v1/hosts")) == {"items": []}


async def test_hostile_names_stay_words(station: Callable[..., Awaitable[Client]]) -> None:
    """A name with markup, a slash and the separator itself."""
    name = "<b>a</b>/../: x"
    client = await station(HostsDouble(hosts={name: readstore.filling()}))
    page = await text_of(client)
    assert "<b>" not in page
    link = next(each for each in re.findall(r'href="(/hosts/[^"]*)"', page))
    answer = await client.get(link)
    assert answer.status == 200
    assert "<b>" not in await answer.text()


async def test_the_interface_lists_hosts(station: Callable[..., Awaitable[Client]]) -> None:
    """The same as the page, in the same order."""
    client = await station(HostsDouble(hosts={"petrel": readstore.calm(), "gannet": readstore.filling()}))
    found = json.loads(await text_of(client, "/api/v1/hosts"))["items"]
    assert [each["name"] for each in found] == ["gannet", "petrel"]
    assert found[0]["needing"] > 0
    assert found[0]["priority"] == "warning"
    assert found[1]["priority"] is None
    assert found[1]["fullest"]["subject"] == "petrel: memory"
    assert found[1]["fullest"]["quantity_id"] > HOST_STEP
    assert found[1]["heard_from_at"] == stamp(NOW - timedelta(seconds=12))


async def test_two_hundred_hosts_fit(station: Callable[..., Awaitable[Client]]) -> None:
    """At most 100 kB, with ten hosts that need somebody."""
    busy, quiet = readstore.filling(), readstore.calm()
    hosts = {f"hide {n}": busy if n < ACTIVE else quiet for n in range(200)}
    page = await text_of(await station(HostsDouble(hosts=hosts)))
    assert len(page.encode()) <= 100_000
    lines = [each for each in lines_of(page) if "monitored" in each]
    assert len(lines) == 200
    assert "hide 10 " in lines[ACTIVE]
    assert "hide 199 " in lines[-1]


async def test_a_summary_is_made_once_for_each_copy() -> None:
    """Until the host writes again; the time of its last copy is always the newest."""
    store = readstore.calm()
    for n in range(5):
        store.deadline(f"backups of guest {n}", "age of the newest", timedelta(hours=1 + n), DAY)
    known = KnownHost("petrel", NOW, records_of("petrel", await records(store)))
    summaries = Summaries()
    (first,) = summaries.of([known])
    (again,) = summaries.of([replace(known, heard_at=NOW + DAY)])
    assert again.shown is first.shown
    assert again.heard_at == NOW + DAY
    (other,) = summaries.of([replace(known, records=HostRecords())])
    assert other.watched == 0
    assert other.fullest is None
    assert first.later >= 6 - DUE
    assert summarise(known).ok == first.ok


def test_names_of_hosts_are_told_apart() -> None:
    """The longest host's name wins, own series keep their first word, and a stranger belongs to nobody."""
    key, own = SeriesKey("pool skerry", "space"), SeriesKey("probe smart", "runs")
    for host in ("gannet", "a: b"):
        for each in (key, own):
            assert apart(named(host, each), {"a", "gannet", "a: b"}) == (host, each)
    assert apart(SeriesKey("a: c: d", "space"), {"a", "a: b"}) == ("a", SeriesKey("c: d", "space"))
    assert apart(key, {"gannet"}) is None
    assert apart(SeriesKey("puffin: pool skerry", "space"), {"gannet"}) is None
    assert isinstance(Condition(heard_from("gannet"), ok=True), Condition)
