"""Is there room, on the page: the command's answer, a form that loses nothing, a picture that agrees with its table."""

import re
from dataclasses import replace
from html import unescape
from typing import Any, Literal
from urllib.parse import urlencode
from xml.etree import ElementTree as ET

import pytest
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer
from playwright.async_api import Browser, Page

from tests.planning.houses import GIB, HOUSE, POOL, TIB
from tests.support import readstore
from tests.support.acting import password_file
from tests.support.planned import known, planner_over, seen
from tests.web.conftest import Client, FixedClock, Open, app_of
from tests.web.test_accessible import violations
from watchkeeper.inventory.capacity import room
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.capacity import space
from watchkeeper.planning.capacity import text as wording
from watchkeeper.planning.capacity.answer import Fit, Limits, Recorded, StoreAnswer
from watchkeeper.planning.capacity.question import Question
from watchkeeper.web.charts.capacity_chart import NARROW, WIDE, draw
from watchkeeper.web.planning.capacity_json import capacity_form
from watchkeeper.web.planning.planner import CannotPlan, Nowhere
from watchkeeper.web.server import serve
from watchkeeper.web.settings import PageSettings, Reading

HUB = {"disk": "32GiB", "memory": "2GiB", "cpus": "2", "grows": "1GiB/day", "store": "pool skerry"}
ASKED = Question(32 * GIB, 2 * GIB, 2, grows_bytes_per_day=GIB, store="pool skerry")
HOSTILE = """<script>alert("x")</script>'"&amp;\u202eevil"""
XML = "{http://www.w3.org/2000/svg}"


async def text_of(client: Client, **query: str) -> tuple[int, str]:
    """The page of a question: its status, and what is in it as it is written."""
    answer = await client.get(f"/capacity?{urlencode(query)}", headers={"Accept": "text/html"})
    return answer.status, await answer.text()


async def test_page_and_api_answer_as_the_command_does(page: Open) -> None:
    """The API's object is the command's to the last member; the page has each of its sentences."""
    store = readstore.calm()
    answer = await room(known(), store, seen(store), ASKED)
    client = await page(store)
    told = await (await client.get(f"/api/v1/capacity?{urlencode(HUB)}")).json()
    assert told == {"host": "gannet"} | capacity_form(answer)
    status, text = await text_of(client, **HUB)
    assert status == 200
    (pool,) = answer.stores
    assert answer.fit is Fit.NO, "memory has a record in this store, and it is too little"
    sentences = [
        wording.heading(answer), wording.full(pool.before), wording.full(pool.after), wording.growth(pool),
        wording.overcommit(pool), wording.largest(pool), *wording.memory(answer.memory), *wording.cpus(answer.cpu),
        *wording.cautions(answer), wording.LIKELY_WHY,
        *(wording.fits_on_day(each) for each in (*pool.growing, *pool.written)),
    ]  # fmt: skip
    assert pool.after
    sentences.append(f"trend only: {wording.straight(pool.after)}")
    assert [each for each in sentences if each not in unescape(text)] == []
    assert "A forecast is an estimate; its range is part of the answer." in text


async def test_what_is_against_it_is_said_once(page: Open) -> None:
    """The headline is the answer alone, and days with the same answer are one row."""
    status, text = await text_of(await page(readstore.filling()), **HUB)
    assert status == 200
    heading = text[text.index("<h1") : text.index("</h1>")]
    assert "does not fit.</bdi>" in heading
    assert "full" not in heading
    assert text.count("Pool skerry may be full") == 1
    rows = text[text.index("<tbody>") : text.index("</tbody>")]
    assert rows.count("in 90 and 365 days") == 1


async def test_nothing_is_asked_at_first() -> None:
    """Without a question there is the form with the guests and stores that are watched, and nothing is looked at."""
    client: Client = TestClient(TestServer(app_of(readstore.filling(), planner=Nowhere())))
    await client.start_server()
    status, text = await text_of(client)
    assert status == 200
    assert '<option value="hide-hub">more for hide-hub</option>' in text
    assert '<option value="pool skerry">pool skerry</option>' in text
    assert '<option value="file system /srv">' in text
    assert 'class="wrong"' not in text.replace('id="lost" class="wrong"', "")
    refused = await client.get(f"/capacity?{urlencode(HUB)}", headers={"Accept": "text/html"})
    assert refused.status == 503
    assert "This page has no planner" in await refused.text()
    await client.close()
    with pytest.raises(CannotPlan):
        await Nowhere().reclaim(None)


BAD: list[tuple[dict[str, str], str, str]] = [
    ({"disk": "32 quux"}, "disk", 'disk cannot be "32 quux"; write a size'),
    ({"disk": "0"}, "disk", 'disk cannot be "0"'),
    ({"disk": "2000PiB"}, "disk", "such as 32GiB"),
    ({"memory": "-1GiB"}, "memory", 'memory cannot be "-1GiB"'),
    ({"cpus": "1.5"}, "cpus", "a whole number from 1 to 9999"),
    ({"cpus": "٣"}, "cpus", 'cpus cannot be "٣"'),
    ({"grows": "1GiB"}, "grows", "a size and /hour, /day or /week"),
    ({"grows": "9999999PiB/hour"}, "grows", "such as 1GiB/day"),
    ({"disk": "+16GiB"}, "disk", "A plus sign is for enlarging a guest"),
    ({"disk": "", "memory": "", "cpus": "", "grows": ""}, "disk", "Nothing is asked: give a disk"),
    ({"disk": "", "grows": "1GiB/day"}, "grows", "Growth is given without a disk"),
    ({"written": "64GiB"}, "written", "More is written at once than the disk can hold"),
    ({"disk": "", "grows": "", "reserved": "yes"}, "reserved", "Reserved is given without a disk"),
    ({"reserved": "perhaps"}, "reserved", "write one of yes, no"),
    ({"store": "pool skery"}, "store", 'There is no store "pool skery" here; known: pool skerry'),
    ({"enlarge": "hide-hob"}, "enlarge", 'There is no guest "hide-hob" here; known: hide-hub'),
    ({"enlarge": "ringing-db", "store": ""}, "store", "choose the store"),
    ({"disk": "9" * 400}, "disk", "disk cannot be"),
]


@pytest.mark.parametrize(("typed", "field", "said"), BAD)
async def test_what_is_wrong_stands_beside_its_field(page: Open, typed: dict[str, str], field: str, said: str) -> None:
    """The message is tied to its field, the first wrong field is where one is set, and all that was typed is there."""
    client = await page(readstore.calm())
    query = HUB | typed
    status, text = await text_of(client, **query)
    assert status == 400
    message = re.search(f'<p class="wrong" id="{field}-wrong"><bdi>(.*?)</bdi>', text)
    assert message
    assert said in unescape(message[1])
    wrong = re.search(f'<(input|select)[^>]* id="{field}"[^>]*>', text)
    assert wrong
    assert f'aria-describedby="{field}-wrong' in wrong[0]
    assert 'aria-invalid="true" autofocus' in wrong[0]
    for name, value in query.items():
        if name in {"store", "enlarge"}:
            assert not value or f'<option value="{value}" selected>' in text
        elif name != "reserved":
            assert re.search(f'id="{name}" name="{name}" value="{re.escape(value)}"', text), name
    checked = 'name="reserved" value="yes" checked' in text
    assert checked == (query.get("reserved") == "yes")


async def test_the_api_names_the_parameter(page: Open) -> None:
    """A bad value and a bad question are 400 with the parameter's name; a name that is not there is refused."""
    client = await page(readstore.calm())
    for query, parameter in (("disk=x", "disk"), ("disk=1GiB&store=nowhere", "store"), ("", "disk"), ("dsk=1", "dsk")):
        answer = await client.get(f"/api/v1/capacity?{query}")
        told = await answer.json()
        assert (answer.status, told["parameter"]) == (400, parameter)


async def test_who_may_not_read_may_not_plan(page: Open, tmp_path: Any) -> None:
    """Where the page is read with a password, nobody makes the host be looked at without it."""
    client = await page(readstore.calm(), PageSettings(reading=Reading.PASSWORD, password=password_file(tmp_path)))
    for path in ("/capacity", "/api/v1/capacity"):
        answer = await client.get(f"{path}?{urlencode(HUB)}")
        assert answer.status == 403


async def test_a_host_that_cannot_be_looked_at() -> None:
    """503 with the reason and when to come again, for people and for programs."""

    class Busy(Nowhere):
        async def capacity(self, _question: Question, *, signed_in: bool = False) -> Any:  # noqa: ARG002
            raise CannotPlan("Too many questions about this host at once; try again in half a minute.")

    client: Client = TestClient(TestServer(app_of(readstore.calm(), planner=Busy())))
    await client.start_server()
    answer = await client.get(f"/api/v1/capacity?{urlencode(HUB)}")
    assert (answer.status, answer.headers["Retry-After"]) == (503, "30")
    status, text = await text_of(client, **HUB)
    assert status == 503
    assert "Too many questions" in text
    await client.close()


def hostile_app() -> web.Application:
    """A house whose guest and store have names that mean harm."""
    store = readstore.calm()
    store.condition(f"guest {HOSTILE}", "state")
    store.level(f"pool {HOSTILE}", "space", 90.0 * GIB, 100.0 * GIB)
    evil = replace(POOL, key=SeriesKey(f"pool {HOSTILE}", "space"))
    guest = replace(HOUSE.guests[0], name=HOSTILE, disks=(replace(HOUSE.guests[0].disks[0], store=evil.key),))
    house = replace(HOUSE, stores=(evil,), guests=(guest,), unseen=(HOSTILE,))
    return app_of(store, planner=planner_over(store, FixedClock(), house))


async def test_hostile_names_are_words() -> None:
    """A name with markup in it is shown and never obeyed: in the answer, in the picture, in the form, in errors."""
    client: Client = TestClient(TestServer(hostile_app()))
    await client.start_server()
    for query in ({"enlarge": HOSTILE, "disk": "+4GiB"}, {"disk": HOSTILE, "store": HOSTILE}, {"enlarge": HOSTILE * 9}):
        status, text = await text_of(client, **query)
        assert status == (200 if query == {"enlarge": HOSTILE, "disk": "+4GiB"} else 400)
        assert "<script>alert" not in text
        assert "&lt;script&gt;alert" in text
    await client.close()


def height_of(root: ET.Element, class_: str) -> float:
    """Where a level line lies."""
    line = root.find(f"{XML}path[@class='{class_}']")
    assert line is not None
    return float(line.attrib["d"].split()[1].split("h")[0])


def store_answer(store_used: int, question: Question) -> StoreAnswer:
    """What becomes of the pool with nothing recorded, or of one that is this full."""
    return space.answer(question, replace(POOL, used_bytes=store_used), Recorded(), Limits())


@pytest.mark.parametrize("size", [NARROW, WIDE], ids=lambda size: size.name)
def test_columns_are_as_high_as_their_levels(size: Any) -> None:
    """Heights are in the ratio of the levels; what passes the capacity is marked; what is not known is a question."""
    answer = store_answer(512 * GIB, Question(disk_bytes=32 * GIB, written_bytes=16 * GIB))
    root = ET.fromstring(draw(answer, size))
    grown = root.findall(f"{XML}rect[@class='grown']")
    whole = root.findall(f"{XML}rect[@class='whole']")
    full, foot = height_of(root, "ceiling"), height_of(root, "base")
    (now,) = grown  # nothing is recorded: only now is known
    assert float(now.attrib["height"]) / (foot - full) == pytest.approx(528 * GIB / TIB, abs=0.01)
    assert [text.text for text in root.findall(f"{XML}text")].count("?") == 3
    assert len(whole) == 4
    promised = answer.written[0].level_bytes
    assert promised is not None
    over = root.findall(f"{XML}rect[@class='over']")
    assert len(over) == (len(whole) if promised > TIB else 0)
    assert float(whole[0].attrib["height"]) / (foot - full) == pytest.approx(promised / TIB, abs=0.01)
    assert root.attrib["aria-label"].startswith("pool skerry: its level now and in 30, 90 and 365 days")


def test_a_larger_host_is_drawn_beside_the_present_one() -> None:
    """With a disk added, the line of the present capacity stands too."""
    drawn = draw(store_answer(512 * GIB, Question(host_disk_bytes=TIB)), WIDE)
    assert 'class="before"' in drawn
    assert "full today" in drawn
    assert 'class="before"' not in draw(store_answer(512 * GIB, Question(disk_bytes=GIB)), WIDE)


PAGES = (
    "capacity",
    f"capacity?{urlencode(HUB)}",
    f"capacity?{urlencode({'enlarge': 'nest-cams', 'disk': '+4TiB', 'memory': '64GiB', 'cpus': '40'})}",
    f"capacity?{urlencode(HUB | {'disk': '32 quux', 'grows': 'much', 'written': '1GiB', 'enlarge': 'nobody'})}",
)


async def opened(browser: Browser, app: web.Application, width: int, scheme: Any, *, script: bool) -> tuple[Any, Any]:
    """A page of a served application, and what closes both."""
    served = await serve(app, PageSettings(port=0))
    context = await browser.new_context(
        viewport={"width": width, "height": 844}, java_script_enabled=script, color_scheme=scheme
    )
    return served, context


async def overflow(page: Page) -> list[str]:
    """What is wider than the screen."""
    found: list[str] = await page.evaluate(
        """() => [...document.querySelectorAll('main *')].filter(e => !e.closest('.scroll, .unseen, svg')
            && e.checkVisibility() && e.getBoundingClientRect().right > innerWidth + 0.5)
            .map(e => e.outerHTML.slice(0, 90))"""
    )
    return found


def test_what_passes_the_field_ends_in_an_arrow() -> None:
    """A future far beyond the store is cut off at the field's end, and an arrow says that it goes on."""
    far = store_answer(512 * GIB, Question(disk_bytes=64 * TIB))
    root = ET.fromstring(draw(far, WIDE))
    stems = [each.attrib["d"] for each in root.findall(f"{XML}path[@class='reach']")]
    assert len(stems) == 4
    assert all(each.endswith("m-4.5 6l4.5 -6l4.5 6") for each in stems)
    tops = {float(each.attrib["y"]) for each in root.findall(f"{XML}rect[@class='over']")}
    assert tops == {WIDE.margin_top}
    near = draw(store_answer(512 * GIB, Question(disk_bytes=GIB)), WIDE)
    assert "m-4.5 6l4.5" not in near


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
async def test_planning_in_a_browser_without_script(
    chromium: Browser, width: int, scheme: Literal["dark", "light"]
) -> None:
    """The form is filled and sent without JavaScript, and the answer fits the screen: words, picture, table."""
    served, context = await opened(chromium, app_of(readstore.calm()), width, scheme, script=False)
    try:
        page = await context.new_page()
        await page.goto(served.address)
        await page.click("nav >> text=Plan")
        await page.fill("#disk", "32GiB")
        await page.fill("#grows", "1GiB/day")
        await page.select_option("#store", "pool skerry")
        await page.click("button:has-text('Check')")
        assert (await page.inner_text("h1")).startswith("Yes: a guest with 32 GiB of disk fits.")
        pictures = [await each.is_visible() for each in await page.locator("svg.futures.chart").all()]
        assert pictures.count(True) == 1
        assert await page.locator("table.days tbody tr").count() == 4
        assert await page.input_value("#disk") == "32GiB"
        await page.fill("#disk", "32 quux")
        await page.click("button:has-text('Check')")
        assert await page.locator("#disk-wrong").is_visible()
        assert await page.input_value("#grows") == "1GiB/day"
        for path in PAGES:
            await page.goto(served.address + path)
            assert await page.evaluate("document.documentElement.scrollWidth") <= width
            assert await overflow(page) == []
    finally:
        await context.close()
        await served.cleanup()


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
async def test_axe_finds_nothing_in_a_plan(chromium: Browser, width: int, scheme: Literal["dark", "light"]) -> None:
    """No rule of WCAG 2.2 A and AA is broken by the form, an answer, a no, an error, or a name that means harm."""
    found = []
    for app, paths in (
        (app_of(readstore.calm()), PAGES),
        (hostile_app(), (f"capacity?{urlencode({'disk': '1TiB'})}",)),
    ):
        served, context = await opened(chromium, app, width, scheme, script=True)
        try:
            page = await context.new_page()
            for path in paths:
                await page.goto(served.address + path)
                await page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
                found += [f"{path} {each}" for each in await violations(page)]
                assert await page.evaluate("document.documentElement.scrollWidth") <= width
        finally:
            await context.close()
            await served.cleanup()
    assert found == []
