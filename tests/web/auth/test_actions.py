"""Acting on the page: who may, what each form does, and that nobody else's form does it."""

import re
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from aiohttp import CookieJar
from aiohttp.test_utils import TestClient, TestServer

from tests.support import readstore
from tests.support.acting import PASSWORD, ActingDouble, password_file
from tests.support.readstore import DAY, ReadStoreDouble
from tests.web.conftest import Client, app_of
from watchkeeper.model.alert import Concern, State
from watchkeeper.model.observation import SeriesKey
from watchkeeper.web.routes import FORM_ROUTES
from watchkeeper.web.settings import PageSettings

HTML = {"Accept": "text/html"}


@dataclass
class Station:
    """A client of a page on which one can act."""

    client: Client
    acting: ActingDouble
    settings: PageSettings

    async def text(self, path: str = "/") -> str:
        """A page's text."""
        return await (await self.client.get(path, headers=HTML)).text()

    async def word(self) -> str:
        """The word that this session's forms bring."""
        found = re.search(r'name="word" value="([\w-]+)"', await self.text(f"{self.settings.prefix}/operator"))
        assert found
        return found[1]

    async def sign_in(self, password: str = PASSWORD) -> int:
        """Sign in; the answer's status."""
        path = f"{self.settings.prefix}/operator/sign-in"
        answer = await self.client.post(path, data={"password": password}, allow_redirects=False)
        return answer.status

    async def send(self, path: str, **fields: str) -> tuple[int, str]:
        """Send one of our forms; the answer's status and where it leads."""
        data = {"word": await self.word(), **fields}
        answer = await self.client.post(path, data=data, allow_redirects=False)
        return answer.status, answer.headers.get("Location", "")


Station_ = Callable[..., Awaitable[Station]]


@pytest.fixture
async def station(tmp_path: Path) -> AsyncIterator[Station_]:
    """Opens a client on a page in the filling state, with a password."""
    opened: list[Client] = []

    async def make(store: ReadStoreDouble | None = None, **values: object) -> Station:
        store = store or readstore.filling()
        settings = PageSettings.model_validate({"password": password_file(tmp_path), **values})
        acting = ActingDouble(store)
        # Loopback has no name, only an address; the default jar takes no cookies from those.
        client: Client = TestClient(
            TestServer(app_of(store, settings, acting=acting)), cookie_jar=CookieJar(unsafe=True)
        )
        await client.start_server()
        opened.append(client)
        return Station(client, acting, settings)

    yield make
    for client in opened:
        await client.close()


async def test_reading_needs_nobody_and_shows_no_form(station: Station_) -> None:
    """On loopback the board is open to read; what acts is shown to the operator alone."""
    found = await station()
    text = await found.text()
    assert "Pool skerry will be full in about 3 days" in text
    assert "<form" not in text
    assert "After signing in" in await found.text("/operator")


async def test_the_page_says_that_nobody_is_notified(station: Station_) -> None:
    """Without a notifier the status page says so; with one it does not."""
    found = await station()
    assert "No messages are sent" not in await found.text("/?with")
    found.acting.notifiers = ()
    assert "No messages are sent" in await found.text("/?without")


async def test_sign_in_and_out(station: Station_) -> None:
    """The right password opens the desk, a wrong one does not, and signing out closes it again."""
    found = await station()
    assert await found.sign_in("the hides are cold") == 403
    assert "Add a note to the event log" not in await found.text("/operator")
    assert await found.sign_in() == 303
    assert "You are signed in." in await found.text("/operator")
    assert "You are signed in." not in await found.text("/operator")
    assert "<form" in await found.text()
    assert await found.send("/operator/sign-out") == (303, "/")
    assert "<form" not in await found.text()


@pytest.mark.parametrize(
    ("back", "leads"),
    [("", "/"), ("subjects/7", "/subjects/7"), ("https://example.org/", "/operator"), (None, "/operator")],
)
async def test_signing_in_leads_back(station: Station_, back: str | None, leads: str) -> None:
    """To the page where the action is; never to another site. The page says that one is signed in."""
    found = await station()
    asked = "" if back is None else f"?back={back}"
    text = await found.text(f"/operator{asked}")
    assert ('name="back"' in text) == (leads != "/operator")
    fields = {"password": PASSWORD} | ({} if back is None else {"back": back})
    answer = await found.client.post("/operator/sign-in", data=fields, allow_redirects=False)
    assert answer.headers["Location"] == leads
    assert ", signed in</p>" in await found.text()


async def test_sign_in_is_where_the_action_is(station: Station_) -> None:
    """On the board and on a subject's page, if anyone can sign in here."""
    found = await station()
    assert 'href="/operator?back=">Sign in to acknowledge' in await found.text()
    assert 'href="/operator?back=subjects/1">Sign in to act' in await found.text("/subjects/1")
    assert "Sign in to" not in await (await station(password=None)).text()


async def test_cookie(station: Station_) -> None:
    """The cookie is out of scripts' reach, sent from here alone, and behind TLS over TLS alone."""
    found = await station(prefix="/watch", hosts=["watch.example.org"])
    for proxy, secure in (({}, False), ({"X-Forwarded-Proto": "https", "Host": "watch.example.org"}, True)):
        answer = await found.client.post(
            "/watch/operator/sign-in", data={"password": PASSWORD}, headers=proxy, allow_redirects=False
        )
        cookie = answer.headers["Set-Cookie"]
        assert {"HttpOnly", "SameSite=Strict", "Path=/watch/"} <= {part.strip() for part in cookie.split(";")}
        assert ("Secure" in cookie) is secure
        assert answer.headers["Location"] == "/watch/operator"
        assert answer.headers["Cache-Control"] == "no-store"


async def test_what_holds_a_secret_is_not_compressed(station: Station_) -> None:
    """The length of a compressed answer would tell something about the token in it."""
    found = await station()
    asked = {"Accept-Encoding": "gzip"}
    assert "Content-Encoding" in (await found.client.get("/", headers=asked)).headers
    await found.sign_in()
    assert "Content-Encoding" not in (await found.client.get("/", headers=asked)).headers


async def test_acknowledge(station: Station_) -> None:
    """From the board: the alert moves to what the operator knows, and the board says so once."""
    found = await station()
    await found.sign_in()
    series = next(s for s in found.acting.store.all_series if str(s.key) == "pool skerry: space")
    assert await found.send(f"/subjects/{series.id}/acknowledge", concern="full", back="") == (303, "/")
    text = await found.text()
    assert "Acknowledged." in text
    assert "Snapshots of nest-cams are overdue by 2 days 4 h" in text
    assert found.acting.done == [("acknowledge", "pool skerry: space", "full")]
    alert = next(a for a in found.acting.store.raised if a.key == series.key)
    assert alert.state is State.ACKNOWLEDGED
    await found.send(f"/subjects/{series.id}/acknowledge", concern="full")
    assert "no active alert to acknowledge" in await found.text(f"/subjects/{series.id}")


async def test_acknowledge_a_whole_event(station: Station_) -> None:
    """One press for all that the page shows as one thing, from any alert of it; a second one finds nothing."""
    found = await station(store=readstore.full())
    await found.sign_in()
    fields = {"subject": "service tide-log", "quantity": "answer", "concern": "not_answering", "back": ""}
    assert await found.send("/acknowledge-event", **fields) == (303, "/")
    assert "Acknowledged: pool skerry and 8 more that belong to it." in await found.text()
    assert len(found.acting.done) == 10
    states = {a.state for a in found.acting.store.raised if a.key.subject != "file system /srv"}
    assert states == {State.ACKNOWLEDGED}
    assert "File system /srv will be full" in await found.text()
    for again in (fields, fields | {"subject": "service of nobody"}):
        await found.send("/acknowledge-event", **again)
        assert "There is no active alert to acknowledge." in await found.text()


async def test_acknowledge_all_that_has_ended(station: Station_) -> None:
    """One press for everything that is over; what is active stays as it is. For a single one it has its own button."""
    store = readstore.filling()
    found = await station(store=store)
    await found.sign_in()
    assert "acknowledge-ended" not in await found.text()
    store.alert(SeriesKey("guest nest-cams", "state"), Concern.FAULTY, None, DAY, State.RECTIFIED)
    store.version += 1
    text = await found.text()
    assert "<button>Acknowledge all 2</button>" in text
    assert 'aria-label="Acknowledge: guest nest-cams' not in text
    active = [a for a in store.raised if a.state is State.ACTIVE]
    assert await found.send("/acknowledge-ended", back="") == (303, "/")
    assert "Acknowledged: everything that has ended." in await found.text()
    assert [a for a in store.raised if a.state is State.ACTIVE] == active
    assert not [a for a in store.raised if a.state is State.RECTIFIED]
    await found.send("/acknowledge-ended", back="")
    assert "Nothing that has ended waits to be acknowledged." in await found.text()


async def test_shelve_and_back(station: Station_) -> None:
    """From a subject's page: set aside for a day, then taken back; each leads to the subject."""
    found = await station()
    await found.sign_in()
    series = next(s for s in found.acting.store.all_series if str(s.key) == "pool skerry: space")
    page = f"/subjects/{series.id}"
    assert await found.send(f"{page}/shelve", concern="full", **{"for": "1d"}) == (303, page)
    text = await found.text(page)
    assert "Shelved for a day." in text
    assert "Shelved until" in text
    assert "Shelved" in await found.text()
    assert await found.send(f"{page}/unshelve", concern="full") == (303, page)
    assert "No longer shelved." in await found.text(page)
    await found.send(f"{page}/unshelve", concern="full")
    assert "It was not shelved." in await found.text(page)
    await found.send(f"{page}/shelve", concern="full", **{"for": "once"})
    assert found.acting.done[-1] == ("shelve", "pool skerry: space", "full", "once")
    await found.send(f"{page}/shelve", concern="not_answering", **{"for": "1h"})
    assert "There is no such alert." in await found.text(page)


async def test_maintenance_and_its_end(station: Station_) -> None:
    """From a subject's page, with the reason; both pages say that nothing is sent, and then no longer."""
    found = await station()
    await found.sign_in()
    series = next(s for s in found.acting.store.all_series if str(s.key) == "pool skerry: space")
    page = f"/subjects/{series.id}"
    assert "Plan maintenance" in await found.text(page)
    assert await found.send(f"{page}/maintenance", reason=" new \n disk", **{"for": "2h"}) == (303, page)
    assert found.acting.done[-1][:2] == ("maintain", "pool skerry")
    assert found.acting.done[-1][3] == "new disk"
    text = await found.text(page)
    assert "In maintenance for 2 hours: nothing is sent." in text
    assert "End maintenance" in text
    assert "Maintenance, nothing is sent: <bdi>pool skerry, until" in await found.text()
    assert await found.send(f"{page}/maintenance", **{"for": "end"}) == (303, page)
    assert "The maintenance has ended." in await found.text(page)
    assert "Maintenance, nothing is sent" not in await found.text()
    await found.send(f"{page}/maintenance", **{"for": "end"})
    assert "There was none." in await found.text(page)


async def test_note_run_and_trial(station: Station_) -> None:
    """Notes, probes and test messages from the operator's page; a note can be about a subject."""
    found = await station()
    await found.sign_in()
    assert await found.send("/operator/note", text=" Snapshot \r\n removed. ") == (303, "/operator")
    assert "Snapshot removed." in await found.text("/events")
    assert await found.send("/operator/note", text="Hides closed.", series="1") == (303, "/subjects/1")
    assert await found.send("/operator/run", probe="hide-hub") == (303, "/operator")
    assert "hide-hub ran." in await found.text("/operator")
    assert await found.send("/operator/test-message", notifier="mail") == (303, "/operator")
    assert "A test message went to mail." in await found.text("/operator")
    assert [d[0] for d in found.acting.done] == ["note", "note", "run", "test"]


@pytest.mark.parametrize(
    ("path", "fields", "status"),
    [
        ("/operator/note", {"text": "  "}, 400),
        ("/operator/note", {"text": "x" * 1_001}, 400),
        ("/operator/note", {"text": "x", "series": "999"}, 404),
        ("/operator/note", {"text": "x" * 20_000}, 413),
        ("/operator/run", {"probe": "nobody"}, 404),
        ("/operator/test-message", {}, 404),
        ("/subjects/1/acknowledge", {"concern": "weather"}, 400),
        ("/subjects/1/shelve", {"concern": "full", "for": "99y"}, 400),
        ("/subjects/1/shelve", {"concern": "full"}, 400),
        ("/subjects/1/maintenance", {"for": "8d"}, 400),
        ("/subjects/1/maintenance", {"for": "2h", "reason": "x" * 1_001}, 400),
        ("/subjects/999/acknowledge", {"concern": "full"}, 404),
        ("/subjects/x/unshelve", {"concern": "full"}, 404),
    ],
)
async def test_bad_forms_do_nothing(station: Station_, path: str, fields: dict[str, str], status: int) -> None:
    """What a form must not hold is refused with the reason, and nothing is done."""
    found = await station()
    await found.sign_in()
    assert (await found.send(path, **fields))[0] == status
    assert found.acting.done == []


@pytest.mark.parametrize("act", [a for a in FORM_ROUTES if a.path != "/operator/sign-in"], ids=lambda a: a.path)
async def test_no_act_without_a_session_or_its_word(station: Station_, act: object) -> None:
    """Without a session, without its word, or with another session's word, every act is refused and nothing is done."""
    path = str(getattr(act, "path")).replace("{id}", "1")  # noqa: B009  the parameter's type is pytest's
    found = await station()
    fields = {"concern": "full", "for": "1d", "text": "x", "probe": "host", "notifier": "mail"}
    assert (await found.client.post(path, data=fields)).status == 403
    await found.sign_in()
    other = await found.word()
    await found.sign_in()
    for word in ("", other, "x"):
        answer = await found.client.post(path, data={**fields, "word": word}, allow_redirects=False)
        assert answer.status == 403
    assert found.acting.done == []
    assert "Add a note to the event log" in await found.text("/operator")


@pytest.mark.parametrize(
    ("headers", "obeyed"),
    [
        ({"Sec-Fetch-Site": "same-origin", "Origin": "null"}, True),
        ({"Sec-Fetch-Site": "cross-site"}, False),
        ({"Sec-Fetch-Site": "same-site"}, False),
        ({"Sec-Fetch-Site": "none"}, False),
        ({"Origin": "http://watch.example.org", "Host": "watch.example.org"}, True),
        ({"Origin": "https://watch.example.org"}, True),
        ({"Origin": "https://evil.test"}, False),
        ({"Origin": "https://watch.example.org.evil.test"}, False),
        ({"Origin": "null"}, False),
        ({"Origin": ""}, False),
        ({"Origin": "http://[::1"}, False),
        ({}, True),
    ],
)
async def test_forms_from_elsewhere(station: Station_, headers: dict[str, str], *, obeyed: bool) -> None:
    """A page from elsewhere can neither act nor sign the visitor in, even with the right word and password."""
    found = await station(hosts=["watch.example.org"])
    await found.sign_in()
    data = {"word": await found.word(), "text": "x"}
    cookie = {"Cookie": "; ".join(f"{c.key}={c.value}" for c in found.client.session.cookie_jar)}
    sent = await found.client.post("/operator/note", data=data, headers={**headers, **cookie}, allow_redirects=False)
    entered = await found.client.post(
        "/operator/sign-in", data={"password": PASSWORD}, headers=headers, allow_redirects=False
    )
    assert sent.status == entered.status == (303 if obeyed else 403)
    assert bool(found.acting.done) is obeyed


async def test_only_forms_are_taken(station: Station_) -> None:
    """Another type of body is 415: a form from elsewhere cannot send JSON, so none is taken for one."""
    found = await station()
    await found.sign_in()
    for kind in ("text/plain", "application/json", "multipart/form-data; boundary=x"):
        answer = await found.client.post("/operator/note", data=b"text=x", headers={"Content-Type": kind})
        assert answer.status == 415
    assert (await found.client.get("/operator/note")).status == 405


async def test_fixation(station: Station_) -> None:
    """A token that a browser brings along is never its session; signing in gives a new one, and ends the old."""
    found = await station()
    brought = {"Cookie": "watchkeeper=fixed-by-somebody"}
    answer = await found.client.post(
        "/operator/sign-in", data={"password": PASSWORD}, headers=brought, allow_redirects=False
    )
    first = answer.cookies["watchkeeper"].value
    assert first != "fixed-by-somebody"
    found.client.session.cookie_jar.clear()
    assert "A note for" not in await (await found.client.get("/operator", headers=brought)).text()
    again = await found.client.post(
        "/operator/sign-in",
        data={"password": PASSWORD},
        headers={"Cookie": f"watchkeeper={first}"},
        allow_redirects=False,
    )
    assert again.cookies["watchkeeper"].value not in {first, "fixed-by-somebody"}
    found.client.session.cookie_jar.clear()
    old = await found.client.get("/operator", headers={"Cookie": f"watchkeeper={first}"})
    assert "A note for" not in await old.text()


async def test_guessing_is_bounded(station: Station_) -> None:
    """After five wrong passwords the sixth try waits, says for how long, and even the right one must wait."""
    found = await station()
    assert [await found.sign_in(f"wrong {i}") for i in range(5)] == [403] * 5
    answer = await found.client.post("/operator/sign-in", data={"password": PASSWORD}, allow_redirects=False)
    assert answer.status == 429
    assert int(answer.headers["Retry-After"]) in {1, 2}
    assert "Too many wrong passwords" in await answer.text()


async def test_many_at_once_gain_nothing(station: Station_) -> None:
    """A hundred guesses sent together are five guesses."""
    import asyncio

    found = await station()
    statuses = await asyncio.gather(*(found.sign_in(f"wrong {i}") for i in range(40)))
    assert sorted(statuses) == [403] * 5 + [429] * 35


async def _guess(found: Station, told: str, password: str = "wrong password") -> int:
    """Try a password through a proxy that tells this X-Forwarded-For."""
    headers, data = {"X-Forwarded-For": told}, {"password": password}
    return (await found.client.post("/operator/sign-in", data=data, headers=headers, allow_redirects=False)).status


async def test_a_visitor_of_the_proxy_is_bound_alone(station: Station_) -> None:
    """Behind a configured proxy each visitor is told apart by the rightmost address that is no proxy."""
    found = await station(proxies=["127.0.0.1"])
    assert [await _guess(found, f"10.0.0.{i}, 192.0.2.66") for i in range(6)] == [403] * 5 + [429]
    assert await _guess(found, "2001:db8::1") == 403
    assert [await _guess(found, f"2001:db8::{i:x}") for i in range(2, 7)] == [403] * 4 + [429]
    assert await _guess(found, "nonsense") == 403
    assert await _guess(found, "192.0.2.7", PASSWORD) == 303


async def test_a_forged_address_is_ignored(station: Station_, caplog: pytest.LogCaptureFixture) -> None:
    """Where no proxy is configured, on loopback too, the header changes nothing; the log says once what to do."""
    found = await station()
    assert [await _guess(found, f"192.0.2.{i}") for i in range(7)] == [403] * 5 + [429] * 2
    told = [each.getMessage() for each in caplog.records if "page.proxies" in each.getMessage()]
    assert len(told) == 1
    assert told[0].startswith("127.0.0.1 sent X-Forwarded-For, but is not listed under page.proxies")
    assert told[0].endswith('set page.proxies = ["127.0.0.1"]')


async def test_changed_password_ends_sessions(station: Station_, tmp_path: Path) -> None:
    """Another hash in the file counts at once: the old password is wrong, and who came in by it is out."""
    found = await station()
    await found.sign_in()
    password_file(tmp_path, "the hides are dry now")
    assert await found.sign_in() == 403
    assert "A note for" not in await found.text("/operator")
    assert await found.sign_in("the hides are dry now") == 303


@pytest.mark.parametrize("broken", ["missing", "garbage"])
async def test_password_that_cannot_be_had(station: Station_, tmp_path: Path, broken: str) -> None:
    """A file that is gone or holds no hash lets nobody in, and says what to do without showing what is there."""
    found = await station()
    path = tmp_path / "page-password"
    if broken == "missing":
        path.unlink()
    else:
        path.write_text("hunter of gulls\n")
    answer = await found.client.post("/operator/sign-in", data={"password": PASSWORD}, allow_redirects=False)
    text = await answer.text()
    assert answer.status == 503
    assert "page-password" in text
    assert "gulls" not in text


async def test_without_a_password_nobody_can_sign_in(station: Station_) -> None:
    """The operator's page then says how to make one; the form behind it is closed too."""
    found = await station(password=None)
    assert "watchkeeper password" in await found.text("/operator")
    assert await found.sign_in() == 403
    assert (await found.client.post("/operator/note", data={"text": "x"})).status == 403


async def test_back_leads_nowhere_else(station: Station_) -> None:
    """Only our own pages are led back to, whatever a form asks for."""
    found = await station()
    await found.sign_in()
    for where in ("//evil.test", "https://evil.test", "/\\evil.test", "events\r\nX-Evil: 1", "../x", "subjects/1/x"):
        status, led = await found.send("/subjects/1/acknowledge", concern="full", back=where)
        assert (status, led) == (303, "/subjects/1")
    assert await found.send("/subjects/1/acknowledge", concern="full", back="events") == (303, "/events")


async def test_private_page(station: Station_) -> None:
    """Where reading needs the password, nothing is told without it but the way to sign in."""
    found = await station(reading="password", prefix="/watch")
    leads = {
        "/": "?back=", "/events": "?back=events", "/watch/subjects/1": "?back=subjects%2F1", "/watch/": "?back=",
        "/journal": "", "/nothing": "", "/subjects/1/../../x": "",
    }  # fmt: skip
    for path, back in leads.items():
        answer = await found.client.get(path, headers=HTML, allow_redirects=False)
        assert (answer.status, answer.headers["Location"]) == (303, f"/watch/operator{back}")
    for path in ("/api", "/api/v1/status", "/api/v1/board", "/watch/api/v1/quantities/1/history"):
        answer = await found.client.get(path)
        assert answer.status == 403
        assert "skerry" not in await answer.text()
    assert (await found.client.get("/static/page.css")).status == 200
    assert await found.sign_in() == 303
    assert "Pool skerry will be full in about 3 days" in await found.text("/watch/")
    assert (await found.client.get("/watch/api/v1/status")).status == 200


async def test_hostile_notes_stay_words(station: Station_) -> None:
    """Markup in a note is text on every page."""
    found = await station()
    await found.sign_in()
    await found.send("/operator/note", text="<script>alert(1)</script>\x1b[31m", series="1")
    for path in ("/", "/events", "/subjects/1"):
        text = await found.text(path)
        assert "&lt;script&gt;" in text
        assert "<script>alert" not in text
        assert "\x1b" not in text


async def test_what_the_keeper_saw_is_not_kept(station: Station_) -> None:
    """Pages of a session are stored by no cache; what anyone may read is asked about each time."""
    found = await station()
    assert (await found.client.get("/")).headers["Cache-Control"] == "private, no-cache"
    await found.sign_in()
    for path in ("/", "/operator", "/subjects/1"):
        assert (await found.client.get(path)).headers["Cache-Control"] == "no-store"
