"""Acknowledging from a message: what a mail scanner does, what an operator does, and what a stranger does."""

import re
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import pytest
from aiohttp.test_utils import TestClient, TestServer
from pydantic import ValidationError

from tests.support import readstore
from tests.support.acting import ActingDouble, password_file
from tests.support.messages import episode
from tests.support.readstore import NOW, ReadStoreDouble
from tests.web.conftest import ISLAND, Client, FixedClock, FixedVitals
from watchkeeper.messages.ack_links import AckLinks
from watchkeeper.messages.build import thread_of
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.message import Message
from watchkeeper.web.app import make_app
from watchkeeper.web.settings import PageSettings

PASSES = AckLinks(b"k" * 32, "http://localhost/watch")


@dataclass
class Station:
    """A page with an alert, and the message about it."""

    client: Client
    acting: ActingDouble
    store: ReadStoreDouble
    alert: Alert

    @property
    def message(self) -> Message:
        """What was sent."""
        sent = episode()[0].message()
        told = replace(
            sent,
            key=self.alert.key,
            concern=self.alert.concern,
            thread=thread_of(self.alert, "gannet"),
            number=self.alert.message_count,
            priority=self.alert.priority,
            at=NOW - timedelta(hours=1),
        )
        return PASSES.given(told)

    @property
    def path(self) -> str:
        """Where its link leads, on this page."""
        return self.message.link.removeprefix("http://localhost")

    async def get(self, path: str | None = None) -> tuple[int, str]:
        """Follow the link."""
        answer = await self.client.get(path or self.path)
        return answer.status, await answer.text()

    async def send(self, page: str, **headers: str) -> tuple[int, str]:
        """Send the page's form."""
        action, sealed = re.search(r'action="([^"]+)".*name="pass" value="([^"]+)"', page).groups()  # type: ignore[union-attr]
        answer = await self.client.post(action, data={"pass": sealed}, headers=headers)
        return answer.status, await answer.text()

    def now_is(self, **changes: object) -> None:
        """The alert moves on."""
        self.store.raised = [replace(a, **changes) if a == self.alert else a for a in self.store.raised]  # type: ignore[arg-type]


Open = Callable[..., Awaitable[Station]]


@pytest.fixture
async def station() -> AsyncIterator[Open]:
    """Opens a page in the filling state, with links."""
    opened: list[Client] = []

    async def make(**settings: object) -> Station:
        store = readstore.filling()
        found = next(a for a in store.raised if a.concern is Concern.FULL and a.priority is Priority.WARNING)
        alert = replace(found, message_count=1, episode=1)
        store.raised = [alert if a == found else a for a in store.raised]
        acting = ActingDouble(store)
        page = PageSettings.model_validate({"prefix": "/watch", **settings})
        app = make_app(store, page, FixedClock(), FixedVitals(), "gannet", ISLAND, acting, PASSES)
        client: Client = TestClient(TestServer(app))
        await client.start_server()
        opened.append(client)
        return Station(client, acting, store, alert)

    yield make
    for client in opened:
        await client.close()


async def test_following_the_link_does_nothing(station: Open) -> None:
    """A scanner that loads it with GET and HEAD, often, acknowledges nothing: it is only asked."""
    found = await station()
    for _ in range(3):
        status, page = await found.get()
        assert status == 200
    assert (await found.client.head(found.path)).status == 200
    assert found.acting.done == []
    assert "pool skerry full in about 3 days" in page
    assert "Its priority is warning." in page
    assert "<button>Acknowledge</button>" in page


async def test_the_form_acknowledges_once(station: Open) -> None:
    """The operator presses the button; the link is used up then, and says so."""
    found = await station()
    path = found.path
    _, page = await found.get()
    status, answer = await found.send(page)
    assert status == 200
    assert "pool skerry: acknowledged." in answer
    assert found.acting.done == [("acknowledge", "pool skerry: space", "full")]
    status, again = await found.get(path)
    assert (status, "This alert is acknowledged." in again) == (200, True)
    status, _ = await found.send(page)
    assert status == 200
    assert len(found.acting.done) == 1


async def test_one_that_was_used_acts_no_more_though_the_alert_is_back(station: Open) -> None:
    """An alert that came back as it was needs a new word from the operator."""
    found = await station()
    path, before = found.path, list(found.store.raised)
    _, page = await found.get()
    await found.send(page)
    found.store.raised = before
    status, text = await found.get(path)
    assert (status, "The alert has changed since" in text) == (409, True)
    assert (await found.send(page))[0] == 409
    assert len(found.acting.done) == 1


@pytest.mark.parametrize(
    "changes",
    [
        {"message_count": 2, "priority": Priority.ALARM},
        {"priority": Priority.ALARM},
        {"state": State.RECTIFIED, "priority": None},
        {"episode": 2},
    ],
)
async def test_an_alert_that_moved_on_is_not_acknowledged(station: Open, changes: dict[str, object]) -> None:
    """A link from the evening does not acknowledge what it has become by the morning."""
    found = await station()
    path = found.path
    _, page = await found.get()
    found.now_is(**changes)
    status, text = await found.get(path)
    assert (status, "The alert has changed since this message was sent" in text) == (409, True)
    assert (await found.send(page))[0] == 409
    assert found.acting.done == []


async def test_an_alert_that_is_gone(station: Open) -> None:
    """There is nothing to acknowledge."""
    found = await station()
    path = found.path
    found.store.raised = []
    assert (await found.get(path))[0] == 409


async def test_an_alert_without_a_finding_is_named_all_the_same(station: Open) -> None:
    """The subject is enough to know what is asked."""
    found = await station()
    found.store.found = []
    status, page = await found.get()
    assert (status, "pool skerry" in page) == (200, True)


async def test_one_that_another_acknowledged_meanwhile(station: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between the look and the act somebody else may have been faster: that is told."""
    found = await station()
    _, page = await found.get()

    async def too_late(*_: object) -> bool:
        return False

    monkeypatch.setattr(found.acting, "acknowledge", too_late)
    assert (await found.send(page))[0] == 409


@pytest.mark.parametrize("text", ["", "x", "a.b", "%00"])
async def test_a_link_that_is_none_of_ours(station: Open, text: str) -> None:
    """Whoever makes one up is told that it is good no more, and nothing else."""
    found = await station()
    status, page = await found.get(f"/watch/acknowledge?pass={text}")
    assert (status, "This link is not valid" in page, "skerry" in page) == (410, True, False)
    answer = await found.client.post("/watch/acknowledge", data={"pass": text})
    assert answer.status == 410
    assert found.acting.done == []


async def test_a_form_on_another_site_is_not_obeyed(station: Open) -> None:
    """Fetch Metadata, Sec-Fetch-Site: a page from elsewhere cannot send it with the operator's browser."""
    found = await station()
    _, page = await found.get()
    assert (await found.send(page, **{"Sec-Fetch-Site": "cross-site"}))[0] == 403
    assert found.acting.done == []


async def test_a_page_that_is_read_with_a_password_answers_links_too(station: Open, tmp_path: Path) -> None:
    """The link is the operator's own; everything else there still asks for the password."""
    found = await station(password=password_file(tmp_path), reading="password")
    assert (await found.get())[0] == 200
    assert (await found.get("/watch/events"))[0] == 403


async def test_without_passes_there_is_no_such_page() -> None:
    """Nothing is served that nothing leads to."""
    store = readstore.filling()
    app = make_app(store, PageSettings(), FixedClock(), FixedVitals(), "gannet", ISLAND, ActingDouble(store))
    async with TestClient(TestServer(app)) as client:
        assert (await client.get("/acknowledge")).status == 404


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("https://watch.example.org/", "a name that the page does not answer to; add it to page.hosts"),
        ("https://192.0.2.7/", "a name that the page does not answer to"),
        ("https://gannet@localhost/", "is more than a host and a path"),
        ("https://localhost/?x=1", "is more than a host and a path"),
    ],
)
def test_an_address_that_would_be_turned_away(address: str, said: str) -> None:
    """It is told when the configuration is read, and not on the night of the alarm."""
    with pytest.raises(ValidationError, match=said):
        PageSettings.model_validate({"address": address})


def test_addresses_that_are_answered() -> None:
    """A name under page.hosts, and this host itself."""
    for address in ("https://watch.example.org/watch", "http://127.0.0.1:8417/", "http://[::1]/", "http://localhost"):
        assert PageSettings.model_validate({"hosts": ["watch.example.org"], "address": address}).address
