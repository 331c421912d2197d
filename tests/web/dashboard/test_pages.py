"""The pages: what they say in each state, and that hostile words stay words."""

import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
from aiohttp.test_utils import TestClient, TestServer

from tests.support import readstore
from tests.support.acting import ActingDouble, password_file
from tests.support.readstore import DAY, GIB, HOUR, NOW, ReadStoreDouble
from tests.web.conftest import Client, Open, app_of
from watchkeeper.manual.runbook import runbook
from watchkeeper.model.alert import Concern, Priority, State
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, SeriesKey
from watchkeeper.model.records import DeliveryState, Entry
from watchkeeper.web.dashboard.health import Check, HealthReport
from watchkeeper.web.events.event_log import PAGE
from watchkeeper.web.settings import PageSettings
from watchkeeper.web.templating import commands


class Reader(HTMLParser):
    """Collects a page's elements, and its text as a reader meets it."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def links(self) -> list[str]:
        """Where the page leads."""
        return [a["href"] or "" for tag, a in self.tags if tag == "a"]


async def read(client: Client, path: str = "/", status: int = 200) -> Reader:
    """A page, parsed."""
    answer = await client.get(path, headers={"Accept": "text/html"})
    assert answer.status == status
    assert answer.content_type == "text/html"
    reader = Reader()
    reader.feed(await answer.text())
    return reader


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("calm", ["Nothing needs you", "16 OK", "1 still learning", "answers again after 4 min"]),
        (
            "filling",
            [
                "Pool skerry will be full in about 3 days", "Two more things need you", "2 to 5 days",
                "overdue by 2 days 4 h", "Due Mon 23 Nov 04:24.", "systemctl list-timers --all",
                "Acknowledged", "Ended, not acknowledged", "did not answer",
            ],
        ),
        ("full", ["Pool skerry is full. 4 guests and 4 services stopped with it.",
                  "Pool skerry is suspended: no space left", "service hide-hub not answering"]),
        ("fresh", ["Monitoring has just started", "No readings yet."]),
    ],
)  # fmt: skip
async def test_board_says(page: Open, state: str, words: list[str]) -> None:
    """Each state of the scenario in the words that matter."""
    reader = await read(await page(getattr(readstore, state)()))
    for expected in words:
        assert expected in reader.text


async def test_before_the_first_reading_the_probes_are_named(tmp_path: Path) -> None:
    """Just started: what will be looked at, and when the first forecast comes."""
    store = readstore.fresh()
    settings = PageSettings(password=password_file(tmp_path))
    acting = ActingDouble(store, probes=[f"probe-{number}" for number in range(10)])
    async with TestClient(TestServer(app_of(store, settings, acting=acting))) as client:
        text = (await read(client)).text
    assert "Probes: probe-0, probe-1, probe-2, probe-3, probe-4, probe-5, probe-6, probe-7 and 2 more." in text
    assert "the first forecasts after about 10 min" in text


async def test_a_huge_house_is_counted_not_listed(page: Open) -> None:
    """With 3,000 subjects each folded list ends after a hundred lines, with the number of those that are left out."""
    html = await (await (await page(readstore.crowd(3_000))).get("/")).text()
    assert len(html.encode()) < 200_000
    # Of 500 file systems, 1,000 guests and 1,000 services, 8 each are in the open.
    assert "<summary>2476 more, OK</summary>" in html
    assert "2376 more are in the <a" in html
    assert html.count('class="thing') == 8 + 8 + 8 + 100 + 8 + 79  # the last ones are sets, equal ones in one line


async def test_board_is_small_with_many_subjects(page: Open) -> None:
    """With 300 subjects the board stays below 150 kB, and fourteen lines of the time left are in the open."""
    client = await page(readstore.crowd(300))
    answer = await client.get("/")
    html = await answer.text()
    assert len(html.encode()) < 150_000
    shown = html[html.index('<ol class="rows">') : html.index("</ol>", html.index('<ol class="rows">'))]
    assert shown.count('<li class="row') == 14


def _cards(html: str) -> list[str]:
    """The cards of a status page."""
    return html[html.index('<ol class="cards">') :].split('<li class="card')[1:]


async def test_a_card_has_what_a_person_needs_to_act(page: Open) -> None:
    """Level, bar, the last week, the likely time and its range, the first step, and commands with the real names."""
    store = readstore.filling()
    pool = _cards(await (await (await page(store)).get("/")).text())[0]
    for expected in (
        "pool skerry", "full in about 3 days", "1.86 TiB of 2 TiB used (93 %), 143 GiB left", 'class="fill p2"',
        'class="spark"', "Likely Sat 28 Nov; 90 % range Fri 27 Nov to Mon 30 Nov.", "Growing 46.2 GiB a day",
        "Alert since Tue 24 Nov 22:10 (10 h 14 min).", "zfs list -o space -r skerry", "/reclaim?store=pool+skerry",
    ):  # fmt: skip
        assert expected in pool


async def test_what_has_stopped_has_other_advice(page: Open) -> None:
    """A full pool is dated from when it was full, lists what stopped, and says what helps now."""
    (pool, srv) = _cards(await (await (await page(readstore.full())).get("/")).text())
    assert "Delete snapshots that you do not need" in pool
    assert '<details class="event" open><summary>4 guests and 4 services stopped with it.</summary>' in pool
    assert "Likely" not in pool
    assert pool.count("pool skerry</bdi>") == 1
    assert pool.count("<code>watchkeeper reclaim</code>") == 1
    # Both ends are on the day of the likely time, which is named once.
    assert "Likely Wed 25 Nov 17:24; 90 % range 14:24 to 23:24." in srv
    assert "Delete snapshots that you do not need" not in srv


async def test_the_details_of_many_cards_are_folded(page: Open) -> None:
    """From the fourth event on the first thing is to deal with the others."""
    store = readstore.filling()
    for name in readstore.GUESTS:
        made = store.level(f"guest {name}", "disk", 9.0, 10.0, full_in=(DAY, 2 * DAY, None), priority=Priority.CAUTION)
        store.alert(made.key, Concern.FULL, Priority.CAUTION, HOUR)
    found = _cards(await (await (await page(store)).get("/")).text())
    assert len(found) == 7
    assert ["<h3>What to do now</h3>" in each for each in found] == [True] * 3 + [False] * 4
    assert all("<summary>What to do</summary>" in each for each in found[3:])
    assert "no latest time" in found[4]


async def test_the_state_of_the_house_is_in_the_open(page: Open) -> None:
    """Also when nothing needs anyone: each level with its trend, each guest, each set, and who is notified."""
    text = (await read(await page(readstore.calm()))).text
    for expected in (
        "pool skerry 55 % of 2 TiB full in about 6 months; growing", "memory 69 % of 32 GiB not filling; swap 2 %",
        "guest hide-hub running service hide-hub answered in 38 ms",
        "snapshots of hide-hub 4 h 19 min old due in 19 h 41 min", "measurements, newest reading 12 s old.",
    ):  # fmt: skip
        assert expected in text


async def test_a_full_level_is_never_folded(page: Open) -> None:
    """Above 80 % a level is shown, however many there are, and whatever is known about its trend."""
    store = ReadStoreDouble()
    for i in range(12):
        store.level(f"file system /{i}", "space", 85.0 + i / 10, 100.0, no_end=NoEnd.UNCERTAIN)
        store.level(f"file system /small{i}", "space", 5.0, 100.0)
    html = await (await (await page(store)).get("/")).text()
    levels = html[html.index('id="house"') : html.index("</section>", html.index('id="house"'))]
    assert levels[: levels.index("<details>")].count('class="thing unwell"') == 12
    assert "12 more, OK</summary>" in levels


async def test_equal_dates_are_one_line_and_what_is_over_is_at_now(page: Open) -> None:
    """Four snapshots that are due at the same time fill one line of the chart."""
    store = ReadStoreDouble()
    for name in ("a", "b", "c", "d", "e", "f"):
        store.deadline(f"snapshots of {name}", "age of the newest", 17 * HOUR, DAY)
    late = store.deadline("snapshots of g", "age of the newest", -HOUR, DAY, Priority.WARNING)
    store.alert(late.key, Concern.OVERDUE, Priority.WARNING, HOUR)
    reader = await read(await page(store))
    assert "now snapshots of g overdue by 1 h" in reader.text
    assert "17 h snapshots of a , b , c , d and 2 more Thu 26 Nov 01:24" in reader.text


async def test_the_headline_has_the_look_of_its_priority(page: Open) -> None:
    """In colour and shape, in the title of the tab, and in words for those who see neither."""
    for store, number, word in ((readstore.full(), 3, "Alarm: "), (readstore.filling(), 2, "Warning: ")):
        html = await (await (await page(store)).get("/")).text()
        assert f'<section class="now p{number}"' in html
        assert f"<title>{'▲' * number} Pool skerry" in html
        assert f'<span class="unseen">{word}</span>' in html
    assert '<section class="now p0"' in await (await (await page(readstore.calm())).get("/")).text()


async def test_priority_is_word_and_shape(page: Open) -> None:
    """Wherever a priority is coloured, its word and its shape stand too."""
    html = await (await (await page(readstore.filling())).get("/")).text()
    for span in re.findall(r'<span class="word p(\d)">(.*?)</span>', html):
        assert f'href="#c{span[0]}"' in span[1]
        assert Priority(int(span[0])).word in span[1]


async def test_one_heading_and_landmarks(page: Open) -> None:
    """A screen reader finds one main part, one first heading, named navigation and named sections on every page."""
    client = await page(readstore.filling())
    for path in ("/", "/events", "/subjects/13"):
        reader = await read(client, path)
        names = [tag for tag, _ in reader.tags]
        assert (names.count("main"), names.count("h1"), names.count("header"), names.count("footer")) == (1, 1, 1, 1)
        assert ("html", {"lang": "en"}) in reader.tags
        labels = [a for tag, a in reader.tags if tag in {"nav", "section"}]
        ids = {a["id"] for _, a in reader.tags if "id" in a}
        assert all(a.get("aria-label") or a.get("aria-labelledby") in ids for a in labels)


async def test_no_style_or_script(page: Open) -> None:
    """The content policy refuses style attributes and scripts within the page; the one script is a file of ours."""
    client = await page(readstore.filling())
    for path in ("/", "/events", "/subjects/13", "/subjects/17?span=2d"):
        for tag, attributes in (await read(client, path)).tags:
            assert tag not in {"style", "iframe"}
            assert tag != "script" or attributes == {"src": "/static/page.js", "defer": None}
            assert not [name for name in attributes if name == "style" or name.startswith("on")]


async def test_every_link_leads_somewhere(page: Open) -> None:
    """No link of any page is dead, with a prefix or without."""
    for prefix in ("", "/watch"):
        client = await page(readstore.filling(), PageSettings(prefix=prefix))
        seen, todo = set(), {f"{prefix}/"}
        while todo:
            path = todo.pop()
            seen.add(path)
            answer = await client.get(path)
            assert answer.status == 200, path
            if answer.content_type != "text/html":
                continue
            reader = Reader()
            reader.feed(await answer.text())
            sources = [str(a["href"]) for tag, a in reader.tags if tag == "link"]
            found = {link for link in [*reader.links(), *sources] if not link.startswith("#")}
            assert all(link.startswith(f"{prefix}/") for link in found)
            todo |= found - seen
        assert len(seen) > 20


HOSTILE = "<img src=x onerror=alert(1)>\"'&\x00\x1b[31m\u202e\udcff"


def _hostile() -> ReadStoreDouble:
    store = ReadStoreDouble()
    facts = ((HOSTILE, HOSTILE),)
    made = [
        store.level(HOSTILE, "space", GIB, 2 * GIB, full_in=(HOUR, 2 * HOUR, 3 * HOUR)),
        store.add(
            Answer(SeriesKey(HOSTILE, "a"), answered=False, reason=HOSTILE, phases=((HOSTILE, 1.0),), facts=facts), None
        ),
        store.add(Condition(SeriesKey(HOSTILE, HOSTILE), ok=False, reason=HOSTILE, facts=facts), None, probe=HOSTILE),
        store.add(Deadline(SeriesKey(HOSTILE, "b"), None, facts=facts), None),
        store.add(Level(SeriesKey(HOSTILE, "c"), 1, 2, facts=facts), None),
    ]
    store.alert(made[0].key, Concern.FULL, Priority.ALARM, HOUR)
    store.note(NOW, HOSTILE, Entry.NOTE, made[0].key)
    return store


async def test_hostile_words_are_text(page: Open) -> None:
    """Names, reasons, facts and notes from outside make no element, and bring no control or direction marks."""
    client = await page(_hostile(), None, Check("x", "y", HealthReport.WARN, HOSTILE))
    for path in ("/", "/events", *(f"/subjects/{i}" for i in range(1, 6)), "/subjects/%3Cimg%3E"):
        answer = await client.get(path, headers={"Accept": "text/html"})
        html = (await answer.read()).decode("utf-8")
        reader = Reader()
        reader.feed(html)
        assert "img" not in {tag for tag, _ in reader.tags}
        assert "onerror" not in {name for _, attributes in reader.tags for name in attributes}
        assert not set("\x00\x1b\u202e") & set(html)


async def test_trouble_of_the_watch_comes_first(page: Open) -> None:
    """Where monitoring itself does not work, the page does not say that nothing needs the operator."""
    client = await page(
        readstore.calm(), None, Check("rules", "reviews", HealthReport.FAIL, "the rules have not been applied")
    )
    reader = await read(client)
    assert "the rules have not been applied" in reader.text
    assert "Monitoring itself needs you" in reader.text
    assert "Nothing needs you" not in reader.text


@pytest.mark.parametrize("span", ["6h", "2d", "10d", "6w", "26w", "all"])
async def test_every_subject_at_every_span(page: Open, span: str) -> None:
    """Each series of every kind has its page, its two pictures and its table."""
    store = readstore.full()
    client = await page(store)
    for series in store.all_series:
        reader = await read(client, f"/subjects/{series.id}?span={span}")
        pictures = [a for tag, a in reader.tags if tag == "svg" and a.get("role") == "img"]
        assert len(pictures) == 2
        assert ("table", {}) in reader.tags


async def test_subject_by_name(page: Open) -> None:
    """A subject is found by its own name as well, slashes and all."""
    reader = await read(await page(readstore.filling()), "/subjects/file%20system%20%2Fsrv?span=6w")
    assert "file system /srv" in reader.text


async def test_subject_says_what_was_found(page: Open) -> None:
    """Growth, cycle and the interval are told in words beside the picture."""
    client = await page(readstore.filling())
    text = (await read(client, "/subjects/14")).text
    for expected in (
        "Growing 8.33 GiB a day since Tue 10 Nov; drops every day about 04:24",
        "full, earliest Thu 10 Dec",
        "full, latest no upper limit",
    ):
        assert expected in text


async def test_what_to_do_stands_with_the_alert(page: Open) -> None:
    """While an alert stands, what the manual says about it, with the subject's own name in the commands."""
    store = readstore.filling()
    client = await page(store)
    for alert in await store.alerts():
        number = next(s.id for s in store.all_series if s.key == alert.key)
        text = "".join((await read(client, f"/subjects/{number}")).text.split())
        entry = runbook().find(alert.concern, alert.key)
        for part in (entry.means, entry.helps, entry.avoid, *(command for command, _ in entry.commands)):
            told = "".join(entry.named(part, alert.key).replace("`", "").split())
            assert (told in text) == (alert.standing and alert.state is not State.NORMAL), (str(alert.key), told)


async def test_answer_shows_its_phases(page: Open) -> None:
    """Where an answer spent its time is a table."""
    store = readstore.calm()
    service = next(s for s in store.all_series if s.key == SeriesKey("service hide-hub", "answer"))
    text = (await read(await page(store), f"/subjects/{service.id}?span=2d")).text
    assert "name lookup 1 ms" in text
    assert "first byte 21 ms" in text


async def test_subject_that_has_just_come(page: Open) -> None:
    """A series without samples, findings or journal has a page that says so."""
    store = ReadStoreDouble()
    store.add(Deadline(SeriesKey("pool skerry", "scrub"), None), None)
    store.found.clear()
    store.seen.clear()
    text = (await read(await page(store), "/subjects/1")).text
    for expected in ("Still learning", "No readings in this period.", "No alerts so far.", "No events yet."):
        assert expected in text


@pytest.mark.parametrize(
    ("age", "offered", "usual"),
    [
        (HOUR, [], "all"),
        (3 * DAY, ["6h", "2d", "all"], "all"),
        (60 * DAY, ["6h", "2d", "10d", "6w", "all"], "10d"),
        (900 * DAY, ["6h", "2d", "10d", "6w", "26w", "all"], "10d"),
    ],
)
async def test_spans_follow_the_history(page: Open, age: timedelta, offered: list[str], usual: str) -> None:
    """Only spans that the history fills are offered, besides all of it; by default 10 days are drawn at most."""
    store = readstore.calm()
    store.all_series[0] = replace(store.all_series[0], first_at=NOW - age)
    reader = await read(await page(store), "/subjects/1")
    begin = next((i for i, (_, a) in enumerate(reader.tags) if a.get("aria-label") == "Period"), len(reader.tags))
    links = [(a["href"] or "", a) for tag, a in reader.tags[begin:] if tag == "a"]
    spans = {href.partition("?span=")[2]: a for href, a in links if href.startswith("/subjects/1?span=")}
    assert list(spans) == offered
    assert [span for span, a in spans.items() if "aria-current" in a] == ([usual] if offered else [])


@pytest.mark.parametrize(("old", "new"), [("day", "2d"), ("week", "10d"), ("month", "6w"), ("year", "all")])
async def test_a_span_of_version_0_1_0_is_understood(page: Open, old: str, new: str) -> None:
    """A bookmark shows the nearest span of today."""
    client = await page(readstore.calm())
    assert (await read(client, f"/subjects/1?span={old}")).text == (await read(client, f"/subjects/1?span={new}")).text


async def test_no_reading_is_dated_before_the_first(page: Open) -> None:
    """A long span over a short history begins with the history: aggregates have no times of before."""
    store = readstore.calm()
    young = store.all_series[0] = replace(store.all_series[0], first_at=NOW - 2 * HOUR)
    text = (await read(await page(store), f"/subjects/{young.id}?span=26w")).text
    assert "Tue 24 Nov" not in text


async def test_condition_in_its_own_words(page: Open) -> None:
    """The picture and the table of a condition use the words of its quantity."""
    store = ReadStoreDouble()
    store.condition("file system /srv", "writable", "read-only since an error", HOUR)
    text = (await read(await page(store), "/subjects/1?span=2d")).text
    assert text.count("not writable") > 2


async def test_samples_that_cannot_be_told(page: Open) -> None:
    """A level without a capacity and a deadline that never happened are told as unknown."""
    store = ReadStoreDouble()
    level = store.level("pool skerry", "space", GIB, 2 * GIB, no_end=None)
    store.history[level.key] = [type(s)(s.at_s, s.value, None) for s in store.history[level.key]]
    deadline = store.deadline("pool skerry", "scrub", -DAY, DAY)
    never = [type(s)(s.at_s, None, None) for s in store.history[deadline.key][-5:]]
    store.history[deadline.key] = [*store.history[deadline.key][-50:-5], *never]
    client = await page(store)
    assert "unknown" in (await read(client, "/subjects/1")).text
    assert "none found" in (await read(client, "/subjects/2")).text


@pytest.mark.parametrize("path", ["/subjects/99", "/subjects/nobody", "/nothing"])
async def test_missing_page(page: Open, path: str) -> None:
    """A person at a browser gets a page for an error, with a way back."""
    reader = await read(await page(readstore.calm()), path, 404)
    assert "Not Found" in reader.text
    assert "/" in reader.links()


async def test_bad_span(page: Open) -> None:
    """A bad value in a page's address says what is allowed."""
    reader = await read(await page(readstore.calm()), "/subjects/1?span=decade", 400)
    assert "one of 6h, 2d, 10d, 6w, 26w, all" in reader.text


async def test_what_was_never_taken_stands_before_the_journal(page: Open) -> None:
    """A message that a receiver refused is listed with what it said; one that only waits has a list of its own."""
    store = readstore.fresh()
    waiting = readstore.delivery(NOW)
    refused = replace(
        waiting, state=DeliveryState.SET_ASIDE, notifier="phone", trouble="status 410 <gone>", done_at=NOW
    )
    store.open_deliveries += [waiting, refused]
    client = await page(store)
    text = (await read(client, "/events")).text
    assert "Undelivered messages" in text
    assert re.search(r"to\s+phone\s*, 2 tries. status 410 <gone>", text)
    assert "connection refused" not in text[: text.index("Messages that wait")]
    assert "Undelivered messages" not in (await read(client, "/events?before=1")).text


async def test_journal_by_day_and_page(page: Open) -> None:
    """Lines stand under their day in the host's zone; older ones are on a further page; the last page says so."""
    store = readstore.fresh()
    start = NOW - timedelta(days=1)
    for i in range(PAGE + 1):
        store.note(start + timedelta(minutes=10 * i), f"line {i}")
    client = await page(store)
    first = await read(client, "/events")
    assert "line 100" in first.text
    assert "line 0 " not in first.text
    assert "Tue 24 Nov" in first.text
    older = next(link for link in first.links() if "before" in link)
    second = await read(client, older)
    assert "line 0" in second.text
    assert "All events, newest first" in second.text
    assert "There are no older events." in (await read(client, "/events?before=1")).text
    assert "No events yet." in (await read(await page(readstore.fresh()), "/events")).text


def test_commands_in_advice() -> None:
    """What stands between backticks is a command; a lone backtick is only itself, and markup stays text."""
    assert commands("`df -h` shows <it>") == "<code>df -h</code> shows &lt;it&gt;"
    assert commands("a ` b") == "a ` b"


async def test_what_is_well_is_told_apart(page: Open) -> None:
    """Two conditions of one file system stand in the folded list under names of their own."""
    store = readstore.fresh()
    store.condition("file system /", "answers")
    store.condition("file system /", "writable")
    store.condition("pool skerry", "health")
    reader = await read(await page(store.settled()))
    assert "file system /: answers" in reader.text
    assert "file system /: writable" in reader.text
    assert "pool skerry: health" not in reader.text


async def test_a_growth_without_a_date_is_not_folded(page: Open) -> None:
    """The page says since when and how long at this rate, and so does its own page; not that it never fills."""
    store = readstore.calm()
    made = store.growing("pool jetty", GIB, 4 * GIB)
    store.level("pool mole", "space", 95.0, 100.0, no_end=NoEnd.UNCERTAIN)
    client = await page(store.settled())
    reader = await read(client)
    said = "since 06:24; too early for a date; at this rate, 1.5 GiB a day, full in about 2 days"
    assert "Growing unusually fast, too early for a date: pool jetty." in reader.text
    assert f"pool jetty {said}; 1 GiB of 4 GiB used (25 %), 3 GiB left" in reader.text
    assert "Nearly full, too uncertain to forecast" in reader.text
    own = await read(client, f"/subjects/{made.id}")
    assert f"Growing unusually fast {said}" in own.text
    assert "within a year" not in own.text


async def test_a_growth_beside_an_older_date(page: Open) -> None:
    """The date of the trend before it is not shown on its page."""
    store = readstore.fresh()
    made = store.growing("pool jetty", GIB, 4 * GIB, full_in=100 * readstore.DAY)
    own = await read(await page(store.settled()), f"/subjects/{made.id}")
    assert "too early for a date" in own.text
    assert "90 % range" not in own.text.split("History")[0]
    assert "full, likely" not in own.text
    assert "Shaded: the 90 % range" not in own.text
    status = await read(await page(store), "/")
    assert status.text.count("too early for a date; at this rate, 1.5 GiB a day, full in about 2 days") == 1
    assert "a day since" not in status.text


async def test_a_chosen_stretch_of_the_past(page: Open) -> None:
    """With its ends given, that stretch alone is drawn, without what lies ahead; the wrong way round is refused."""
    client = await page(readstore.filling())
    text = await (await client.get("/subjects/13?since=2026-11-20T00:00:00Z&until=2026-11-21T00:00:00Z")).text()
    assert 'From <time datetime="2026-11-20T00:00:00Z">' in text
    assert 'class="fan"' not in text
    assert 'data-since="1795132800" data-until="1795219200"' in text
    assert 'class="fan"' in await (await client.get("/subjects/13?span=10d")).text()
    ago = await (await client.get("/subjects/13?since=36h")).text()
    assert 'datetime="2026-11-23T19:24:11Z"' in ago
    until = await (await client.get("/subjects/13?span=2d&until=24h")).text()
    assert 'datetime="2026-11-22T07:24:11Z"' in until
    for wrong in ("since=2026-11-21T00:00:00Z&until=2026-11-20T00:00:00Z", "since=2027-01-01T00:00:00Z"):
        answer = await client.get(f"/subjects/13?{wrong}")
        assert answer.status == 400


async def test_what_only_expires_never_happened(page: Open) -> None:
    """A certificate has a due date and nothing that happens again: `last happened: never` would say it failed."""
    store = readstore.calm()
    client = await page(store)
    certificate = await (await client.get(f"/subjects/{number(store, 'service hide-hub', 'certificate')}")).text()
    assert "<dt>due" in certificate
    assert "last happened" not in certificate
    scrub = await (await client.get(f"/subjects/{number(store, 'pool skerry', 'scrub')}")).text()
    assert "last happened" in scrub


def number(store: ReadStoreDouble, subject: str, quantity: str) -> int:
    """A series' number."""
    return next(each.id for each in store.all_series if each.key == SeriesKey(subject, quantity))
