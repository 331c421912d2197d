"""Is a change safe, on the page: the command's points by word and shape, a form that loses nothing, the look back."""

import re
from datetime import timedelta
from html import unescape
from typing import Any, Literal
from urllib.parse import urlencode

import pytest
from aiohttp.test_utils import TestClient, TestServer
from playwright.async_api import Browser

from tests.support import readstore
from tests.support.planned import known, seen
from tests.web.conftest import Client, FixedClock, Open, app_of
from tests.web.planning.test_capacity import HOSTILE, hostile_app, opened, overflow
from tests.web.test_accessible import violations
from watchkeeper.inventory.preflight.after_change import after_change
from watchkeeper.inventory.preflight.preflight import Question
from watchkeeper.inventory.preflight.preflight import ready as answered
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.preflight import text as ready_wording
from watchkeeper.planning.preflight.decide import Verdict
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.web.planning.planner import Nowhere
from watchkeeper.web.planning.preflight_json import preflight_form


@pytest.fixture
def bench() -> Any:
    """A bench at the record's moment."""
    workers = ThreadWorkers()
    yield ProbeContext(FixedClock(), workers)
    workers.close()


async def text_of(client: Client, **query: str) -> tuple[int, str]:
    """The page of a question: its status, and what is in it."""
    answer = await client.get(f"/preflight?{urlencode(query)}", headers={"Accept": "text/html"})
    return answer.status, await answer.text()


async def test_page_and_api_answer_as_the_command_does(page: Open, bench: ProbeContext) -> None:
    """The API's object is the command's to the last member; each point stands on the page with its word and reason."""
    store = readstore.filling()
    question = Question("hide-hub", 3 * 86_400.0, 3_600.0, frozenset({Matter.GUEST}))
    answer = await answered(known(), store, seen(store), question, bench)
    assert {each.verdict for each in answer.points} == set(Verdict)
    client = await page(store)
    query = {"subject": "hide-hub", "keep": "3d", "snapshot_within": "1h", "skip": "guest"}
    told = await (await client.get(f"/api/v1/preflight?{urlencode(query)}")).json()
    assert told == {"host": "gannet"} | preflight_form(answer)
    status, text = await text_of(client, **query)
    assert status == 200
    text = unescape(text)
    assert f'<h1 id="answer" class="said-at-length"><bdi>{ready_wording.verdict(answer, known().host.zone)}' in text
    rows = re.findall(
        r'<li><p><span class="fit ([\w-]+)">.*?</svg>([\w -]+)</span>.*?<bdi class="one">(.*?)</bdi>', text
    )
    points = [*answer.hindrances, *(each for each in answer.points if each.verdict is Verdict.GO)]
    assert rows == [(each.verdict.value.replace(" ", "-"), each.verdict.value, each.reason) for each in points]
    shapes = {
        name: re.search(rf'<span class="fit {name}"><svg.*?d="(.*?)"', text) for name in ("go", "no-go", "not-known")
    }
    assert len({found[1] for found in shapes.values() if found}) == 3
    assert ready_wording.CAUTION in text


async def test_looking_back(page: Open, bench: ProbeContext) -> None:
    """After the change the same page holds now against the hour before, from the instant that is given."""
    store = readstore.calm()
    since = store.now - timedelta(hours=5)
    store.alert(SeriesKey("guest hide-hub", "state"), Concern.FAULTY, Priority.WARNING, timedelta(hours=1))
    answer = await after_change(known(), store, seen(store), Question("hide-hub"), bench, since)
    client = await page(store)
    _, text = await text_of(client, subject="hide-hub", after="yes", since="5h")
    assert ready_wording.verdict(answer, readstore.NOW.tzinfo or known().host.zone)[:20] in unescape(text)
    assert not answer.go
    assert ready_wording.against(answer) in text
    assert ready_wording.fine(answer) in text
    assert all(each.reason in unescape(text) for each in answer.points)
    assert "Once it is changed" not in text
    url = f"/api/v1/preflight?{urlencode({'subject': 'hide-hub', 'after': 'yes', 'since': since.isoformat()})}"
    assert await (await client.get(url)).json() == {"host": "gannet"} | preflight_form(answer)


async def test_a_look_ahead_leads_to_the_look_back(page: Open) -> None:
    """The link at the end asks what became of it from this moment on, and is understood."""
    client = await page(readstore.calm())
    _, text = await text_of(client, subject="hide-hub")
    link = re.search(r'href="(/preflight\?[^"]*after=yes[^"]*)"', text)
    assert link
    assert "since=2026-11-25T07%3A24%3A11.000Z" in link[1]
    found = await client.get(unescape(link[1]))
    assert found.status == 200
    assert "as before Wed 25 Nov 08:24" in await found.text()


BAD = [
    ({"subject": "hide-hob"}, "subject", 'Nothing here is named "hide-hob"; known: guest hide-hub'),
    ({"subject": ""}, "subject", "subject is missing: it names what you want to change."),
    ({"subject": "x" * 301}, "subject", "a name of 1 to 300 characters"),
    ({"keep": "soon"}, "keep", 'keep cannot be "soon"; write a time such as 7d or 12h.'),
    ({"keep": "0s"}, "keep", 'keep cannot be "0s"'),
    ({"snapshot_within": "2"}, "snapshot_within", "such as 7d or 12h"),
    ({"since": "2h"}, "since", "The time of a change is for looking back"),
    ({"after": "yes", "since": "tomorrow"}, "since", "a time with its offset"),
    ({"after": "yes", "since": "2027-01-01T00:00:00Z"}, "since", "Since is in the future"),
    ({"after": "yes", "subject": "tide-log"}, "since", "The time of the change is not known; give it with since"),
    ({"after": "perhaps"}, "after", "write one of yes, no"),
    ({"skip": "nonsense"}, "skip", 'skip cannot be "nonsense"'),
]


@pytest.mark.parametrize(("typed", "field", "said"), BAD)
async def test_what_is_wrong_stands_beside_its_field(page: Open, typed: dict[str, str], field: str, said: str) -> None:
    """The message is tied to its field and can be seen, what was typed is there, and the API says the same."""
    client = await page(readstore.calm())
    query = {"subject": "hide-hub", "keep": "3d"} | typed
    status, text = await text_of(client, **query)
    assert status == 400
    message = re.search(f'<p class="wrong" id="{field}-wrong"><bdi>(.*?)</bdi>', text)
    assert message
    assert said in unescape(message[1])
    assert re.search(f'<(input|select|fieldset)[^>]* aria-describedby="{field}-wrong', text)
    if field in {"since", "skip", "snapshot_within"}:
        assert "<details open>" in text
    assert f'name="keep" value="{query["keep"]}"' in text
    if query["subject"]:
        assert f'<option value="{query["subject"]}" selected>' in text
    answer = await client.get(f"/api/v1/preflight?{urlencode({k: v for k, v in query.items() if v})}")
    told = await answer.json()
    assert (answer.status, told["parameter"]) == (400, field)


async def test_a_subjects_page_leads_here(page: Open) -> None:
    """Guests, services and stores have the link; memory has none. The prefix of a proxy stands before it."""
    store = readstore.calm()
    client = await page(store)
    for subject, there in (
        ("guest hide-hub", True),
        ("service tide-log", True),
        ("pool skerry", True),
        ("memory", False),
    ):
        text = await (await client.get(f"/subjects/{subject}")).text()
        link = f'<a href="/preflight?{urlencode({"subject": subject})}">Is it safe to change this now?</a>'
        assert (link in text) == there, subject
    text = await (await client.get("/subjects/pool skerry")).text()
    assert '<a href="/capacity?store=pool+skerry">Is there space on it for another guest?</a>' in text


async def test_nothing_is_asked_at_first() -> None:
    """Without a question there is the form with what can be changed, and nothing is looked at."""
    client: Client = TestClient(TestServer(app_of(readstore.calm(), planner=Nowhere())))
    await client.start_server()
    status, text = await text_of(client)
    assert status == 200
    for subject in ("guest hide-hub", "service tide-log", "pool skerry", "gannet"):
        assert f'<option value="{subject}">{subject}</option>' in text
    refused = await client.get("/preflight?subject=gannet", headers={"Accept": "text/html"})
    assert refused.status == 503
    assert (await client.get("/api/v1/preflight?subject=gannet")).status == 503
    await client.close()


async def test_hostile_names_are_words() -> None:
    """A name with markup in it is shown and never obeyed, whether it is there or not."""
    client: Client = TestClient(TestServer(hostile_app()))
    await client.start_server()
    for subject, status in ((f"guest {HOSTILE}", 200), (f"pool {HOSTILE}", 200), (HOSTILE * 2, 400)):
        found, text = await text_of(client, subject=subject, skip=HOSTILE if status == 400 else "guest")
        assert found == status
        assert "<script>alert" not in text
        assert "&lt;script&gt;alert" in text
    await client.close()


PAGES = (
    "preflight",
    "preflight?subject=hide-hub",
    "preflight?subject=pool+skerry&keep=900d",
    "preflight?subject=guest+hide-hub&after=yes&since=5h",
    "preflight?subject=hide-hob&keep=soon&skip=x",
)


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
async def test_in_a_browser_without_script(chromium: Browser, width: int, scheme: Literal["dark", "light"]) -> None:
    """From a guest's page the way leads to its points, and the form to other limits; all fits the screen."""
    served, context = await opened(chromium, app_of(readstore.calm()), width, scheme, script=False)
    try:
        page = await context.new_page()
        await page.goto(f"{served.address}subjects/guest hide-hub")
        await page.click("text=Is it safe to change this now?")
        assert (await page.inner_text("h1")).startswith("No-go: ")
        await page.click("summary")
        for matter in Matter:
            await page.check(f"#skip-{matter.value}")
        await page.fill("#keep", "30d")
        await page.click("button:has-text('Check')")
        assert await page.inner_text("h1") == "Go: guest hide-hub can be changed now."
        assert await page.is_checked("#skip-backup")
        for path in PAGES:
            await page.goto(served.address + path)
            assert await page.evaluate("document.documentElement.scrollWidth") <= width
            assert await overflow(page) == []
    finally:
        await context.close()
        await served.cleanup()


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
async def test_axe_finds_nothing(chromium: Browser, width: int, scheme: Literal["dark", "light"]) -> None:
    """No rule of WCAG 2.2 A and AA is broken by the form, the points, the look back or an error."""
    served, context = await opened(chromium, app_of(readstore.filling()), width, scheme, script=True)
    found = []
    try:
        page = await context.new_page()
        for path in PAGES:
            await page.goto(served.address + path)
            await page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
            found += [f"{path} {each}" for each in await violations(page)]
    finally:
        await context.close()
        await served.cleanup()
    assert found == []
