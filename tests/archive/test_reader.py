"""The same questions to both readers, after the same was copied: the answers are equal."""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import psycopg
import pytest

from tests.archive.copying import ship_all, shipper
from tests.store.material import DAY, HOUR, MINUTE, SKERRY, START, alert, delivery, level, samples
from tests.support.postgres import Server
from watchkeeper.archive.reader import ArchiveReader
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.observation import Answer, SeriesKey
from watchkeeper.model.records import Commit, Entry, EventLine, Seen
from watchkeeper.store import Store
from watchkeeper.store.history.retention_limits import RetentionLimits

HUB = SeriesKey("service hide-hub", "answer")
UNTIL = START + 4 * DAY


def answers(count: int) -> Commit:
    """Answers with an outage and a gap."""
    seen = [
        Seen(START + n * MINUTE, Answer(HUB, not 60 <= n < 90, "no answer" if 60 <= n < 90 else "", 0.1), "hub", 60.0)
        for n in range(count)
        if not 200 <= n < 230
    ]
    return Commit(seen=tuple(seen))


def everything() -> Sequence[Commit]:
    """Records of every sort."""
    lines = tuple(EventLine(START + n * MINUTE, Entry.NOTE, f"note {n}", SKERRY if n % 2 else None) for n in range(30))
    found = Finding(SKERRY, Concern.FULL, START, Priority.CAUTION, ends_at=START + DAY)
    kept = KeptForecast(SKERRY, START, 1.0, 2.0, None, 10.0, 100.0)
    return (
        samples(4000),
        answers(600),
        Commit(events=lines, alerts=(alert(),), findings=(found,), forecasts=(kept,), deliveries=(delivery(),)),
    )


def of_one(ask: Callable[..., Iterable[tuple[int, Any]]]) -> Callable[..., list[Any]]:
    """A question about several hosts, asked about one."""
    return lambda *words, **named: [each for _, each in ask(*words, **named)]


@pytest.mark.parametrize("rolled", [False, True], ids=["samples", "with roll-ups"])
async def test_both_answer_the_same(path: Path, archive: Server, *, rolled: bool) -> None:
    """Every question of the page that is about one host."""
    async with await Store.open(path) as store:
        for each in everything():
            await store.commit(each)
        changes = [Change(START + n * HOUR, ChangeKind.PACKAGE, f"package {n}", "upgraded") for n in range(4)]
        changes.append(Change(START + 5 * HOUR, ChangeKind.NOTE, "a note", "written"))
        await store.change_log.record(changes)
        if rolled:
            await store.keep(RetentionLimits(samples=START + DAY, hours=START + 12 * HOUR))
        to = shipper(archive)
        await ship_all(store, path, to)
        to.close()
        reader = ArchiveReader(archive.address(user="watchkeeper_page"))
        try:
            (host, *_) = [each for each in reader.hosts() if each.name == "gannet"]
            number = host.number
            state, only = reader.states([number])[number], [number]
            own = {each.key: each for each in await store.series()}
            assert [replace(each, id=own[each.key].id) for each in state.series] == list(await store.series())
            assert list(state.latest) == list(await store.latest())
            assert list(state.findings) == list(await store.findings())
            assert list(state.alerts) == list(await store.alerts())
            for since, until in ((START, UNTIL), (START + 10 * HOUR, START + 40 * HOUR), (UNTIL, UNTIL + DAY)):
                for key in (SKERRY, HUB, SeriesKey("nothing", "here")):
                    assert reader.samples(number, key, since, until) == await store.samples(key, since, until)
                    for points in (7, 300):
                        thinned = await store.samples_thinned(key, since, until, points)
                        assert reader.samples_thinned(number, key, since, until, points) == thinned
                # Of outages the archive has what the samples say that it was sent.
                answers = await store.answers(own[HUB], since, until)
                assert reader.answers(number, HUB, since, until, 60.0).pieces == answers.pieces
            assert of_one(reader.forecasts)(only, None) == await store.forecasts()
            assert of_one(reader.forecasts)(only, SKERRY) == await store.forecasts(SKERRY)
            assert of_one(reader.forecasts)(only, HUB) == []
            assert of_one(reader.changes)(only, None, None, (), 3) == await store.changes(limit=3)
            notes = await store.changes(START + HOUR, START + 5 * HOUR, kinds=[ChangeKind.NOTE])
            assert of_one(reader.changes)(only, START + HOUR, START + 5 * HOUR, [ChangeKind.NOTE], 100) == notes
            assert of_one(reader.events)(only, limit=7) == await store.events(limit=7)
            assert of_one(reader.events)(only, key=SKERRY) == await store.events(key=SKERRY)
            assert of_one(reader.events)(only, entry=Entry.START) == await store.events(entry=Entry.START) == []
            at: datetime = START + timedelta(minutes=20)
            assert of_one(reader.events)(only, since=at) == await store.events(since=at)
            assert of_one(reader.deliveries)(only, only_open=True, limit=9) == await store.deliveries(limit=9)
        finally:
            reader.close()


async def test_one_station_sends_at_a_time(archive: Server) -> None:
    """The second one sends once the first has gone."""
    address = archive.address(user="watchkeeper_page")
    first, second = ArchiveReader(address), ArchiveReader(address)
    try:
        assert first.sends()
        assert not second.sends()
        assert first.sends()
        first.close()
        assert any(second.sends() for _ in range(1000))
    finally:
        first.close()
        second.close()


async def test_no_query_reads_the_rows_of_all_hosts(
    path: Path, archive: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each plan bounds every table by the host, in an index or a filter."""
    async with await Store.open(path) as store:
        await store.commit(Commit(seen=(level(1.0),)))
        to = shipper(archive)
        await ship_all(store, path, to)
        to.close()
    reader = ArchiveReader(archive.address(user="watchkeeper_page"))
    asked = list[tuple[str, dict[str, object]]]()
    plain = ArchiveReader._rows

    def noted(self: ArchiveReader, text: str, **values: object) -> list[object]:
        asked.append((text, values))
        return plain(self, text, **values)

    monkeypatch.setattr(ArchiveReader, "_rows", noted)
    try:
        (host, *_) = [each.number for each in reader.hosts() if each.name == "gannet"]
        asked.clear()
        reader.states([host, 99])
        reader.samples(host, SKERRY, START, UNTIL)
        reader.samples_thinned(host, SKERRY, START, UNTIL, 100)
        reader.answers(host, SKERRY, START, UNTIL, 60.0)
        list(reader.forecasts([host, 99], None))
        list(reader.changes([host, 99], None, None, (), 10))
        list(reader.events([host, 99]))
        list(reader.deliveries([host, 99], only_open=True, limit=10))
    finally:
        reader.close()
    assert len(asked) >= 18
    bound = rf"host = ('?{host}\b|ANY \('{{{host},99}}|asked\.number)"
    with psycopg.connect(archive.address()) as conn:
        for text, values in asked:
            lines = [str(row[0]) for row in conn.execute(b"EXPLAIN " + text.encode(), values)]
            scans = [
                n
                for n, line in enumerate(lines)
                if " on " in line and "Scan" in line and not re.search("Subquery|Function", line)
            ]
            assert scans
            for n in scans:
                depth = len(lines[n]) - len(lines[n].lstrip())
                below = []
                for line in lines[n + 1 :]:
                    if "->" in line or len(line) - len(line.lstrip()) <= depth - 2:
                        break
                    below.append(line)
                index = "Bitmap Heap" in lines[n] or any(re.search(bound, each) for each in below)
                assert index, "\n".join(lines)
