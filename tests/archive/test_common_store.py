"""The records of two hosts beside those of a station: what each question of the page answers."""

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC
from functools import partial
from pathlib import Path

import pytest

from tests.archive.copying import ship_all, shipper
from tests.store.material import DAY, HOUR, MINUTE, SKERRY, START, alert, delivery, level, message, samples
from tests.support.postgres import Server
from watchkeeper.archive.common_store import CommonStore
from watchkeeper.archive.host_names import HOST_STEP
from watchkeeper.archive.hosts_reader import Host
from watchkeeper.archive.reader import ArchiveReader
from watchkeeper.clock import Clock
from watchkeeper.config.types import SecretSource
from watchkeeper.daemon.station import HostsWatched
from watchkeeper.errors import ArchiveError, DeliveryDeferred, ProbeError
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.observation import Answer, Condition, SeriesKey, Unseen
from watchkeeper.model.operator.maintenance import MAINTENANCE
from watchkeeper.model.records import Commit, Entry, EventLine, Seen
from watchkeeper.store import Store
from watchkeeper.store.rows.codec import LINE
from watchkeeper.store.rows.timestamps import to_us

HUB = SeriesKey("service hide-hub", "answer")
OWN = SeriesKey("memory", "in use")


async def filled(path: Path, archive: Server, host: str) -> None:
    """A host that has written a little of everything."""
    async with await Store.open(path) as store:
        await store.commit(samples(10))
        hub = Seen(START, Answer(HUB, answered=True, took_s=0.1), "hub", 60.0)
        own = Seen(START, Condition(SeriesKey("probe hub", "runs"), ok=True), "hub", 60.0)
        found = Finding(SKERRY, Concern.FULL, START, Priority.WARNING, reason="filling fast")
        held = replace(alert(), key=HUB, concern=Concern.NOT_ANSWERING, held_by=SKERRY)
        planned = replace(alert(), key=OWN, held_by=MAINTENANCE)
        lines = (
            EventLine(START, Entry.NOTE, f"a note of {host}"),
            EventLine(START + MINUTE, Entry.TRANSITION, "raised", SKERRY),
        )
        kept = KeptForecast(SKERRY, START, 1.0, 2.0, None, 10.0, 100.0)
        await store.commit(
            Commit(
                (hub, own),
                (found,),
                (alert(), held, planned),
                lines,
                (delivery(),),
                (kept,),
            )
        )
        await store.change_log.record([Change(START, ChangeKind.PACKAGE, "openssl", "upgraded")])
        to = shipper(archive, host)
        await ship_all(store, path, to)
        to.close()


@pytest.fixture
async def own(tmp_path: Path) -> AsyncIterator[Store]:
    """The station's own store."""
    async with await Store.open(tmp_path / "station.db") as store:
        await store.commit(Commit(seen=(level(1.0, START, OWN),), events=(EventLine(START + HOUR, Entry.NOTE, "own"),)))
        await store.change_log.record([Change(START + DAY, ChangeKind.NOTE, "own", "written")])
        yield store


@pytest.fixture
async def common(own: Store, tmp_path: Path, archive: Server) -> AsyncIterator[CommonStore]:
    """Everything, with two hosts."""
    for host in ("gannet", "petrel"):
        await filled(tmp_path / f"{host}.db", archive, host)
    (tmp_path / "url").write_text(archive.address(user="watchkeeper_page"))
    store = CommonStore(own, partial(ArchiveReader.at, SecretSource(file=tmp_path / "url")), Clock())
    yield store
    await store.close()


def under(host: str, key: SeriesKey) -> SeriesKey:
    """The key of a host's series among those of all hosts."""
    return SeriesKey(f"{host}: {key.subject}", key.quantity)


async def test_every_host_is_a_level_of_its_own(common: CommonStore, own: Store) -> None:
    """Series, newest observations, findings, alerts, events and so on name their host; ids are not used twice."""
    before = common.version
    await common.look()
    assert common.version != before
    series = {each.key: each for each in await common.series()}
    assert {OWN, under("gannet", SKERRY), under("petrel", SKERRY)} < series.keys()
    assert SeriesKey("probe gannet: hub", "runs") in series
    assert len({each.id for each in series.values()}) == len(series)
    assert series[under("petrel", SKERRY)].id > HOST_STEP > series[OWN].id
    assert {each.observation.key for each in await common.latest()} == series.keys()
    assert {each.key for each in await common.findings()} == {under("gannet", SKERRY), under("petrel", SKERRY)}
    held = {each.key: each.held_by for each in await common.alerts()}
    assert held[under("gannet", HUB)] == under("gannet", SKERRY)
    assert held[under("gannet", OWN)] == MAINTENANCE
    texts = [each.text for each in await common.events()]
    assert texts[0] == "own"
    assert {"gannet: a note of gannet", "petrel: a note of petrel"} < set(texts)
    assert [each.text for each in await common.events(key=under("petrel", SKERRY))] == ["raised"]
    assert await common.events(key=OWN) == []
    (newest, *_) = await common.events()
    older = await common.events(before_id=newest.id, limit=2)
    assert [each.text for each in older] == ["raised", "raised"]
    assert [each.text for each in await common.events(after_id=older[-1].id)] == ["own"]
    assert {each.notifier for each in await common.deliveries()} == {"gannet: mail", "petrel: mail"}
    assert [each.what for each in await common.changes()] == ["own", "gannet: openssl", "petrel: openssl"]
    assert len(await common.forecasts()) == 2
    assert [each.key for each in await common.forecasts(under("gannet", SKERRY))] == [under("gannet", SKERRY)]
    assert await common.forecasts(OWN) == []
    until = START + DAY
    assert len(await common.samples(under("gannet", SKERRY), START, until)) == 10
    assert len(await common.samples(OWN, START, until)) == 1
    assert len(await common.samples_thinned(under("gannet", SKERRY), START, until, 1)) == 1
    assert len(await common.samples_thinned(OWN, START, until, 5)) == 1
    assert len((await common.answers(series[under("petrel", HUB)], START, until)).pieces) == 1
    assert await common.answers(series[OWN], START, until) == await own.answers(series[OWN], START, until)
    assert await common.maintenance() == []
    assert await common.decisions("memory", START) == []
    assert await common.waiting_deliveries() == {}
    again = common.version
    await common.look()
    assert common.version == again


async def test_an_archive_that_is_away_changes_nothing_that_is_known(common: CommonStore, tmp_path: Path) -> None:
    """The status stays, histories are empty, and this station no longer sends."""
    await common.look()
    assert common.sends
    assert not common.left_to_others(message())
    known = await common.series()
    (tmp_path / "url").write_text(f"dbname=watchkeeper host={tmp_path}")
    away = CommonStore(common._own, partial(ArchiveReader.at, SecretSource(file=tmp_path / "url")), Clock())
    away._states, away._hosts = common._states, common._hosts
    try:
        probe = HostsWatched(away, 60.0, UTC, Clock())
        with pytest.raises(ProbeError, match="the archive watchkeeper on"):
            await probe.observe()
        assert not away.sends
        assert await away.series() == known
        assert await away.samples(under("gannet", SKERRY), START, START + DAY) == []
        with pytest.raises(DeliveryDeferred, match="another station"):
            away.left_to_others(message(at=Clock().now()))
        assert away.left_to_others(message())
        (tmp_path / "url").unlink()
        with pytest.raises(ArchiveError, match=r"archive\.url cannot be read from .*: No such file"):
            await away.look()
    finally:
        await away.close()


async def test_a_silent_host_is_reported_with_what_was_active_there(common: CommonStore, archive: Server) -> None:
    """By the server's clock; a host that never wrote is not judged."""
    probe = HostsWatched(common, 60.0, UTC, Clock())
    seen = await probe.observe()
    assert [each.ok for each in seen if isinstance(each, Condition)] == [True, True]
    hosts = {each.name: each for each in await common.look()}
    silent = await probe._observed(replace(hosts["gannet"], silent_s=7200.0))
    assert isinstance(silent, Condition)
    assert silent.key == SeriesKey("host gannet", "heard from")
    assert not silent.ok
    assert silent.grave
    assert silent.reason.startswith("since ")
    assert "active then: gannet: pool skerry: filling fast" in silent.reason
    assert silent.reason.endswith(", and 1 more")
    assert "stopped" not in silent.reason
    last = "INSERT INTO watchkeeper.events VALUES (%s, %s, 99, 'stop', NULL, %s)"
    line = LINE.dumps(EventLine(START + DAY, Entry.STOP, "monitoring stopped"))
    archive.query(last, hosts["gannet"].number, to_us(START + DAY), line)
    stopped = await probe._observed(replace(hosts["gannet"], silent_s=7200.0))
    assert isinstance(stopped, Condition)
    assert "; watchkeeper was stopped there; active then: " in stopped.reason
    quiet = await probe._observed(Host(9, "fulmar", 7200.0, "", 1))
    assert isinstance(quiet, Condition)
    assert quiet.reason.endswith("; no alert was active then")
    never = await probe._observed(Host(9, "fulmar", None, "", 0))
    assert isinstance(never, Unseen)
    archive.query("UPDATE watchkeeper.hosts SET seen_at_us = 0 WHERE name = 'petrel'")
    assert {each.name for each in await common.look() if each.silent_s is None} == {"petrel"}
    assert probe.watched().interval_s < 60


async def test_a_host_is_asked_to_acknowledge(common: CommonStore, archive: Server) -> None:
    """The alert as the host names it, with the episode that the station has read; nothing that does not wait for it."""
    await common.look()
    assert await common.request_acknowledgement(under("petrel", SKERRY), Concern.FULL, "puffin")
    asked = archive.query(
        "SELECT name, key, concern, episode, made_by FROM watchkeeper.requests JOIN watchkeeper.hosts USING (host)"
    )
    assert asked == [("petrel", '["pool skerry","space"]', "full", alert().episode, "puffin")]
    assert not await common.request_acknowledgement(under("petrel", SKERRY), Concern.NOT_REPORTING, "puffin")
    assert not await common.request_acknowledgement(OWN, Concern.FULL, "puffin")
    archive.query("DELETE FROM watchkeeper.requests")
