"""Go or no-go, gathered: each point made to fail in turn; and what became of a change."""

import asyncio
import os
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from aiohttp import web

from tests.inventory.places import NOW, fixed, known, mounted
from tests.support.readstore import ReadStoreDouble
from watchkeeper.inventory import copies
from watchkeeper.inventory.preflight.after_change import after_change
from watchkeeper.inventory.preflight.preflight import Question, pace, ready
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.observation import Condition, Kind, Level, SeriesKey, Unit, Unseen, unseen_facts
from watchkeeper.model.probe_state import JobReport, LastJobReports
from watchkeeper.model.records import Sample, Seen, Series
from watchkeeper.planning.capacity.question import BadQuestion
from watchkeeper.planning.host_state import Disk, GuestNow, HostNow, Snapshot, StoreKind, StoreNow, Volume
from watchkeeper.planning.preflight.decide import PreflightAnswer, Verdict
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
GIB = 2**30
POOL = SeriesKey("pool skerry", "space")
SERVICE = SeriesKey("service hide-hub", "answer")
WRITTEN = SeriesKey("guest hide-hub", "written")
MEMORY = SeriesKey("memory", "in use")
HUB = "skerry/hide-hub"


def disk(name: str = "hide-hub", size: int = 32 * GIB) -> Disk:
    """A disk that is a volume of the pool."""
    return Disk(f"/dev/zvol/skerry/{name}", size, POOL, f"skerry/{name}")


def host(**more: Any) -> HostNow:
    """Gannet with its pool, and hide-hub with two disks, snapshots of both an hour old."""
    taken = tuple(Snapshot(f"skerry/{name}", "daily-1", NOW - HOUR) for name in ("hide-hub", "hide-hub-data"))
    volumes = tuple(Volume(f"skerry/{name}", 32 * GIB, 8 * GIB) for name in ("hide-hub", "hide-hub-data"))
    pool = StoreNow(POOL, StoreKind.ZFS, 600 * GIB, 1000 * GIB, volumes, taken)
    guest = GuestNow("hide-hub", True, 2 * GIB, 2, (disk(), disk("hide-hub-data")))
    found = HostNow(NOW, 16 * GIB, 8 * GIB, 4, (pool,), (guest,))
    return replace(found, **more)


def series(key: SeriesKey, kind: Kind = Kind.LEVEL, probe: str = "skerry", seen: timedelta = MINUTE) -> Series:
    """A series that was seen a minute ago."""
    return Series(1, key, kind, Unit.BYTES if kind is Kind.LEVEL else None, probe, 60.0, NOW - 30 * DAY, NOW - seen)


class Jobs:
    """The reports of one job."""

    def __init__(self, good: timedelta | None) -> None:
        self.good = good

    async def last(self, job: str) -> LastJobReports:
        return LastJobReports(JobReport(job, NOW - self.good, failed=False) if self.good is not None else None, None)

    async def record(self, report: JobReport) -> None:
        raise AssertionError(f"a check before a change reported {report}")


class Station:
    """A host on which everything is well, and what a test changes of it."""

    def __init__(self, folder: Path, workers: ThreadWorkers, port: int) -> None:
        self.bench: ProbeContext = replace(fixed(workers), job_reports=Jobs(12 * HOUR))
        self.folder, self.host = folder, host()
        self.probes: list[dict[str, object]] = [
            {"kind": "http", "name": "hide-hub", "url": f"http://127.0.0.1:{port}/", "timeout": 2},
            {"kind": "job", "name": "nightly", "within": "26h", "backup_of": ["hide-*"]},
        ]
        self.store = ReadStoreDouble(now=NOW)
        self.store.all_series = [
            series(POOL),
            series(SERVICE, Kind.ANSWER, "hide-hub"),
            series(SeriesKey("guest hide-hub", "state"), Kind.CONDITION, "guests"),
            series(MEMORY, probe="memory"),
        ]
        self.grew(per_day=1.0)
        self.wrote(per_day=2.0)

    def grew(self, per_day: float) -> None:
        """The pool has grown by so many GiB a day, for thirty days."""
        self.store.history[POOL] = [
            Sample((NOW - h * HOUR).timestamp(), (600 - per_day * h / 24) * GIB, 1000.0 * GIB)
            for h in range(720, -1, -1)
        ]

    def wrote(self, per_day: float, restarted: timedelta | None = None) -> None:
        """The guest has written so many GiB a day for a week; its count began again when it was restarted."""
        at = [NOW - m * 10 * MINUTE for m in range(1008, -1, -1)]
        again_at = None if restarted is None else NOW - restarted
        self.store.history[WRITTEN] = []
        for each in at:
            began = again_at if again_at is not None and each >= again_at else at[0]
            used = per_day * GIB * ((each - began) / DAY)
            self.store.history[WRITTEN].append(Sample(each.timestamp(), used, 64.0 * GIB))

    async def ask(self, subject: str = "hide-hub", **more: Any) -> PreflightAnswer:
        """Go or no-go."""
        question = Question(subject, **more)
        return await ready(known(*self.probes), self.store, self.host, question, self.bench)

    async def afterwards(self, subject: str = "hide-hub", since: timedelta | None = None) -> PreflightAnswer:
        """What became of the change."""
        at = None if since is None else NOW - since
        return await after_change(known(*self.probes), self.store, self.host, Question(subject), self.bench, at)


@pytest.fixture
async def station(tmp_path: Path, workers: ThreadWorkers, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Station]:
    """A host on which everything is well, with a real service."""

    async def answer(_request: web.Request) -> web.Response:
        return web.Response(text="well")

    app = web.Application()
    app.router.add_get("/", answer)
    runner = web.AppRunner(app)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    mounted(tmp_path, ("/srv/backup", "ext4", "/dev/sdb1"), ("/skerry/backup", "zfs", "skerry/backup"))
    monkeypatch.setattr(copies, "MOUNTS", tmp_path / "mountinfo")
    found = Station(tmp_path, workers, runner.addresses[0][1])
    yield found
    await runner.cleanup()


def against(answer: PreflightAnswer) -> dict[str, str]:
    """Matter -> the last reason against it."""
    return {each.matter.value: each.reason for each in answer.hindrances}


async def test_all_is_well(station: Station) -> None:
    """Every matter has a go, and both disks are named."""
    answer = await station.ask()
    assert answer.go, against(answer)
    assert {each.matter for each in answer.points} == set(Matter) - {Matter.MEMORY, Matter.RESTART}
    snapshots = [each.about for each in answer.points if each.matter is Matter.SNAPSHOT]
    assert snapshots == ["disk skerry/hide-hub", "disk skerry/hide-hub-data"]
    assert (await station.ask("guest hide-hub")).go
    assert (await station.ask("service hide-hub")).go


async def test_one_disk_without_a_new_snapshot(station: Station) -> None:
    """The second disk's snapshot is five weeks old: no-go, whatever the first one has."""
    pool = station.host.stores[0]
    old = (pool.snapshots[0], replace(pool.snapshots[1], made_at=NOW - 35 * DAY))
    station.host = host(stores=(replace(pool, snapshots=old),))
    assert against(await station.ask()) == {"snapshot": "the newest, daily-1 is 35 days old; the limit is 1 day"}
    station.probes.append({"kind": "zfs-snapshots", "name": "daily", "datasets": ["skerry/*"], "max_age": "40d"})
    assert (await station.ask()).go
    assert "snapshot" in against(await station.ask(within_s=3_600.0 * 24))
    assert (await station.ask(within_s=3_600.0, skipped=frozenset({Matter.SNAPSHOT}))).go
    station.host = host(stores=(replace(pool, snapshots=pool.snapshots[:1]),))
    assert against(await station.ask())["snapshot"] == "there is no snapshot of it"


async def test_disks_that_are_not_known(station: Station) -> None:
    """A guest without known disks, and a disk on no store: neither can be rolled back for all that is known."""
    guest = station.host.guests[0]
    station.host = host(guests=(replace(guest, disks=()),))
    assert against(await station.ask())["snapshot"] == "its disks are not known"
    station.host = host(guests=(replace(guest, disks=(Disk("/dev/sdq"),)),))
    assert "the store that it is on is not visible" in against(await station.ask())["snapshot"]


async def test_snapshots_of_a_btrfs_that_cannot_be_seen(station: Station) -> None:
    """Without root's side nobody knows whether there is one."""
    key = SeriesKey("btrfs /data", "data")
    btrfs = StoreNow(key, StoreKind.BTRFS, GIB, 100 * GIB)
    guest = replace(station.host.guests[0], disks=(Disk("/data/hub.raw", GIB, key, "/data"),))
    why = "snapshots of btrfs: this needs root"
    station.host = host(stores=(btrfs,), guests=(guest,), unseen=(why,))
    found = against(await station.ask())
    assert found["snapshot"] == "the snapshots of its store cannot be listed"
    station.host = host(stores=(btrfs,), guests=(guest,))
    assert against(await station.ask())["snapshot"] == "there is no snapshot of it"


async def test_images_on_a_file_system(station: Station) -> None:
    """Their snapshots are files, which a probe of the guest's name watches."""
    key = SeriesKey("file system /srv", "space")
    image = station.folder / "hide-hub.img"
    image.touch()
    made = NOW.timestamp() - 7_200
    os.utime(image, (made, made))
    guest = replace(station.host.guests[0], disks=(Disk("/srv/hub.raw", GIB, key, "/srv/hub.raw"),))
    station.host = host(stores=(StoreNow(key, StoreKind.FILES, GIB, 100 * GIB),), guests=(guest,))
    assert against(await station.ask())["snapshot"] == "there is no snapshot of it"
    station.probes[0]["name"] = "hub-page"
    station.probes.append(
        {"kind": "snapshots", "name": "hide-hub", "files": [str(station.folder / "*.img")], "max_age": "26h"}
    )
    assert "snapshot" not in against(await station.ask())


async def test_two_images_need_a_set_each(station: Station) -> None:
    """A file of the guest's name says nothing of its second disk, nor of another guest's; sets of the images' do."""
    key = SeriesKey("file system /srv", "space")
    for name in ("hub", "hub-data"):
        path = station.folder / f"{name}.img"
        path.touch()
        os.utime(path, (NOW.timestamp() - 7_200,) * 2)
    disks = tuple(Disk(f"/srv/{name}.raw", GIB, key, f"/srv/{name}.raw") for name in ("hub", "hub-data"))
    station.host = host(
        stores=(StoreNow(key, StoreKind.FILES, GIB, 100 * GIB),),
        guests=(replace(station.host.guests[0], disks=disks),),
    )
    station.probes[0]["name"] = "hub-page"
    kept: dict[str, object] = {"kind": "snapshots", "max_age": "26h"}
    station.probes.append(kept | {"name": "hide-hub", "files": [str(station.folder / "hub.img")]})
    found = [each.verdict for each in (await station.ask()).points if each.matter is Matter.SNAPSHOT]
    assert found == [Verdict.NO_GO, Verdict.NO_GO]
    station.probes[-1:] = [
        kept | {"name": name, "files": [str(station.folder / f"{name}.img")]} for name in ("hub", "hub-data")
    ]
    found = [each.verdict for each in (await station.ask()).points if each.matter is Matter.SNAPSHOT]
    assert found == [Verdict.GO, Verdict.GO]


async def test_a_backup_beside_the_disk(station: Station) -> None:
    """A file on the same pool is lost with it; one on another store counts; none at all is told."""
    station.probes.pop()
    assert "A snapshot on the same store is not a backup" in against(await station.ask())["backup"]
    beside: dict[str, object] = {
        "kind": "snapshots",
        "name": "copies",
        "files": ["/skerry/backup/*.img"],
        "max_age": "26h",
    }
    station.probes.append({**beside, "backup_of": ["hide-hub"]})
    assert against(await station.ask())["backup"].startswith("it is on pool skerry, and so is a disk")
    station.probes[-1]["files"] = [str(station.folder / "backup" / "*.img")]
    assert against(await station.ask())["backup"].startswith("it has never been made")
    made = station.folder / "backup" / "hide-hub.img"
    made.parent.mkdir()
    made.touch()
    os.utime(made, (NOW.timestamp() - 7_200,) * 2)
    answer = await station.ask()
    assert [each.verdict for each in answer.points if each.matter is Matter.BACKUP] == [Verdict.GO]


async def test_a_backup_that_is_overdue(station: Station) -> None:
    """The nightly job has not checked in for two days; it never did at all."""
    station.bench = replace(station.bench, job_reports=Jobs(2 * DAY))
    assert against(await station.ask())["backup"].startswith("the newest is 2 days old, and was due")
    station.bench = replace(station.bench, job_reports=Jobs(None))
    assert against(await station.ask())["backup"] == "it has never been made"


async def test_no_room_for_the_snapshot(station: Station) -> None:
    """10 GiB are free and 14 GiB may be rewritten in a week; without a record, all of both disks would have to fit."""
    pool = station.host.stores[0]
    station.host = host(stores=(replace(pool, used_bytes=990 * GIB),))
    reason = against(await station.ask())["space"]
    assert reason == "a snapshot may hold 14 GiB after 7 days, and only 10 GiB are free"
    del station.store.history[WRITTEN]
    assert "its write rate is not known yet" in against(await station.ask())["space"]
    guest = station.host.guests[0]
    station.host = host(stores=(replace(pool, used_bytes=990 * GIB),), guests=(replace(guest, disks=(disk(size=0),)),))
    reserved = tuple(replace(each, set_aside_bytes=GIB, own_bytes=20 * GIB) for each in pool.volumes)
    station.host = host(stores=(replace(pool, used_bytes=990 * GIB, volumes=reserved),))
    station.wrote(per_day=0.1)
    assert "needs 40 GiB at once" in against(await station.ask())["space"]


async def test_a_store_that_is_full_too_soon(station: Station) -> None:
    """At 80 GiB a day 400 GiB last five days, and the snapshot is kept for seven; for two days it is a go."""
    station.grew(per_day=80.0)
    assert against(await station.ask())["time-to-full"].startswith("it may be full in")
    assert (await station.ask(keep_s=2 * 86_400.0)).go
    station.store.history.pop(POOL)
    assert "not known yet" in against(await station.ask())["time-to-full"]


async def test_an_alert_beneath(station: Station) -> None:
    """The pool is degraded, and memory was set aside: both stand beneath the guest; another guest's alert does not."""
    raised: dict[str, Any] = {"state": State.ACTIVE, "priority": Priority.WARNING, "raised_at": NOW - HOUR}
    station.store.raised = [
        Alert(SeriesKey("pool skerry", "health"), Concern.FAULTY, **raised),
        Alert(SeriesKey("guest tide-log", "state"), Concern.FAULTY, **raised),
    ]
    answer = await station.ask()
    assert [each.about for each in answer.hindrances] == ["pool skerry"]


async def test_what_it_depends_on_is_not_seen_any_more(station: Station) -> None:
    """Memory is watched still and was last seen an hour ago, while others come: not known, which is no go."""
    station.probes.append({"kind": "memory", "name": "memory"})
    assert (await station.ask()).go
    station.store.all_series = [
        replace(each, last_at=NOW - HOUR) if each.key == MEMORY else each for each in station.store.all_series
    ]
    answer = await station.ask()
    assert [(each.about, each.verdict) for each in answer.hindrances] == [("memory", Verdict.UNKNOWN)]
    assert answer.worth_waiting


async def test_what_no_probe_covers_of_it(station: Station) -> None:
    """It does not prevent the change, and is listed. What is elsewhere is not."""
    whats = ("guest hide-hub", "mounted datasets of pool skerry", "guest nest-cams", "temperatures")
    facts = unseen_facts([Unseen(what, "no probe covers it") for what in whats])
    own = Condition(SeriesKey("probe coverage", "runs"), ok=True, facts=facts)
    station.store.seen = [Seen(NOW - MINUTE, own, "coverage", 3_600.0)]
    answer = await station.ask()
    assert answer.go
    assert answer.unseen == (
        "guest hide-hub: no probe covers it",
        "mounted datasets of pool skerry: no probe covers it",
    )


async def test_a_part_that_is_recorded_seldom_is_not_missed(station: Station) -> None:
    """A dataset's own size is recorded once an hour by a probe that looks every minute; a whole would be missed."""
    key = SeriesKey("dataset skerry/hide-hub", "own data")
    station.probes.append({"kind": "zfs", "name": "zfs"})
    station.store.all_series.append(series(key, probe="zfs", seen=50 * MINUTE))
    station.store.seen = [Seen(NOW - 50 * MINUTE, Level(key, 24.0 * GIB, 1000.0 * GIB, part_of=POOL), "zfs", 60.0)]
    assert (await station.ask()).go
    station.store.seen = [Seen(NOW - 50 * MINUTE, Level(key, 24.0 * GIB, 1000.0 * GIB), "zfs", 60.0)]
    answer = await station.ask()
    assert [(each.about, each.verdict) for each in answer.hindrances] == [(key.subject, Verdict.UNKNOWN)]


async def test_a_service_that_is_silent(station: Station) -> None:
    """It is asked at this moment; nothing is taken from the record."""
    station.probes[0]["url"] = "http://127.0.0.1:9/"
    found = await station.ask()
    assert against(found)["answers"].startswith("not answering: ")
    assert found.worth_waiting
    station.probes[0] = {"kind": "http", "name": "nest-cams", "url": "http://127.0.0.1:9/"}
    assert "no service of it is monitored" in against(await station.ask())["answers"]


async def test_a_probe_that_speaks_of_the_service_no_more(station: Station) -> None:
    """Its series is there, its probe was given something else to look at."""
    station.probes[0] = {"kind": "memory", "name": "hide-hub"}
    assert against(await station.ask())["answers"].startswith("cannot tell")


async def test_the_watch_sleeps(station: Station) -> None:
    """The newest sample of anything is an hour old."""
    station.store.all_series = [replace(each, last_at=NOW - HOUR) for each in station.store.all_series]
    assert against(await station.ask())["monitoring"].startswith("it has recorded nothing for 1 h")


async def test_a_guest_that_does_not_run(station: Station) -> None:
    """Paused on an I/O error."""
    station.host = host(guests=(replace(station.host.guests[0], running=False),))
    assert "it is not running" in against(await station.ask())["guest"]


async def test_whole_stores_and_the_whole_host(station: Station) -> None:
    """A pool, by its subject and its own name, and the host by its name: every guest on it counts."""
    for name in ("pool skerry", "skerry", "host"):
        answer = await station.ask(name, skipped=frozenset({Matter.RESTART}))
        assert answer.go, (name, against(answer))
        assert any(each.matter is Matter.SNAPSHOT for each in answer.points)
    asked = await station.ask("host")
    assert "its process was not found" in against(asked)["restart"]
    assert not any(each.matter is Matter.RESTART for each in (await station.ask("skerry")).points)


async def test_a_subject_without_a_guest(station: Station) -> None:
    """Of a service that lives on the host itself only what rests beneath it is asked."""
    station.store.all_series.append(series(SeriesKey("service tide", "answer"), Kind.ANSWER, "tide"))
    station.probes.append({"kind": "http", "name": "tide", "url": station.probes[0]["url"]})
    answer = await station.ask("tide")
    assert answer.go, against(answer)
    assert {each.matter for each in answer.points} == {Matter.STORAGE_BELOW, Matter.ANSWERS, Matter.MONITORING}


async def test_a_name_that_nothing_has(station: Station) -> None:
    """What is called nearly so is named; and where nothing is watched, that is said."""
    with pytest.raises(BadQuestion, match='nothing here is named "hide-hug"; known: guest hide-hub'):
        await station.ask("hide-hug")
    station.host, station.store.all_series = host(stores=(), guests=()), []
    with pytest.raises(BadQuestion, match="nothing is monitored yet"):
        await station.ask()


def answers(station: Station, before_s: float, after_s: float | None, changed: timedelta) -> None:
    """The service answered in so many seconds, each minute of the last three hours."""
    at = [NOW - n * MINUTE for n in range(180, -1, -1)]
    station.store.history[SERVICE] = [
        Sample(each.timestamp(), before_s + 0.001 * (n % 5) if each < NOW - changed else after_s, None)
        for n, each in enumerate(at)
    ]
    station.store.history[MEMORY] = [Sample(each.timestamp(), 8.0 * GIB, 16.0 * GIB) for each in at]


async def test_as_before(station: Station) -> None:
    """The hour before the newest snapshot against what came after the restart."""
    answers(station, 0.04, 0.041, 30 * MINUTE)
    station.wrote(2.0, restarted=30 * MINUTE)
    answer = await station.afterwards()
    assert answer.since == NOW - HOUR
    assert answer.go, against(answer)
    assert {each.matter for each in answer.points} == {
        Matter.GUEST, Matter.ANSWERS, Matter.MEMORY, Matter.STORAGE_BELOW, Matter.MONITORING,
    }  # fmt: skip


async def test_not_as_before(station: Station) -> None:
    """Slower by half, less memory left, and an alert since."""
    answers(station, 0.04, 0.08, 30 * MINUTE)
    station.store.history[MEMORY] = [
        replace(each, value=12.0 * GIB) if each.at_s > (NOW - 30 * MINUTE).timestamp() else each
        for each in station.store.history[MEMORY]
    ]
    station.store.raised = [
        Alert(SERVICE, Concern.NOT_ANSWERING, State.ACTIVE, Priority.WARNING, raised_at=NOW - 10 * MINUTE),
    ]
    found = against(await station.afterwards(since=30 * MINUTE))
    assert found["answers"].startswith("slower: 80 ms")
    assert found["memory"] == "less: 4 GiB free, before 8 GiB"
    assert found["storage-below"] == "warning since the change: not answering, 10 min ago"


async def test_when_the_change_was_made(station: Station) -> None:
    """By the restart where there is no snapshot; where neither is known, it must be said; and it cannot lie ahead."""
    answers(station, 0.04, 0.04, HOUR)
    pool = station.host.stores[0]
    station.host = host(stores=(replace(pool, snapshots=()),))
    with pytest.raises(BadQuestion, match="give it with since"):
        await station.afterwards()
    station.wrote(2.0, restarted=2 * HOUR)
    assert (await station.afterwards()).since == NOW - 2 * HOUR
    with pytest.raises(BadQuestion, match="in the future"):
        await station.afterwards(since=-HOUR)


async def test_nothing_recorded_of_it(station: Station) -> None:
    """No service, no memory: neither is known."""
    station.store.all_series = [each for each in station.store.all_series if each.key == POOL]
    found = against(await station.afterwards(since=HOUR))
    assert set(found) == {"answers", "memory"}


def test_the_pace_of_a_counter_that_begins_again() -> None:
    """By hand: 10 bytes in an hour, a restart, 6 more in the next: 16 in two hours, 192 a day."""
    samples = [Sample(0.0, 5.0, None), Sample(3_600.0, 15.0, None), Sample(7_200.0, 6.0, None)]
    assert pace(samples) == pytest.approx(16 * 12)
    assert pace(samples[:1]) is None
    assert pace([]) is None
    assert pace([Sample(0.0, None, None), *samples[:2]]) == pytest.approx(240)


def test_every_verdict_has_a_word() -> None:
    """As they are printed and as JSON has them."""
    assert [each.value for each in Verdict] == ["go", "no-go", "not known"]
    assert asyncio.iscoroutinefunction(ready)
