"""A database of version 0.1.0 is opened by today's code: nothing is lost, and every alert goes on where it was."""

import asyncio
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.store.material import asked
from tests.store.upgrade import first_version
from tests.support.house import MINUTE, Hands, Script
from tests.support.outbox import ScriptedNotifier
from watchkeeper.alerting.rules import Rules
from watchkeeper.errors import ProbeError
from watchkeeper.messages.build import thread_of
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey
from watchkeeper.model.records import Delivery, DeliveryState, Entry
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.runner import Runner
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.store import Store
from watchkeeper.store.recovery import repair
from watchkeeper.store.rows import checked_rows

END, HOUR, DAY = first_version.END, timedelta(hours=1), timedelta(days=1)
POOL, HUB = SeriesKey("pool skerry", "space"), SeriesKey("service hide-hub", "answer")
TIDE_LOG, NEST_CAMS = SeriesKey("service tide-log", "answer"), SeriesKey("service nest-cams", "answer")
BELL, RINGING = SeriesKey("service bell", "answer"), SeriesKey("service ringing", "answer")
SNAPSHOTS = SeriesKey("snapshots of hide-hub", "age of the newest")
GUEST, SENSOR = SeriesKey("guest ringing-db", "state"), SeriesKey("sensor hide", "temperature")
STEP_S = 50


@pytest.mark.parametrize("version", [2, 3, 4])
async def test_nothing_is_lost(path: Path, version: int) -> None:
    """Every row is there with today's names and a right checksum, whichever version it comes from."""
    first_version.make(path)
    before = first_version.rows(path, first_version.TABLES)
    path = path.with_name("another.db")
    first_version.make(path, version)
    async with await Store.open(path, repair_at=END) as store:
        await store.inspect(whole=True)
        await store.check_indexes()
        assert await store.quarantined(END - DAY, END + 9999 * DAY) == []
    with closing(sqlite3.connect(path)) as conn, conn:
        assert conn.execute("DELETE FROM probe_states WHERE owner = '\"after-reboot\"'").rowcount == 1  # a copy
    after = first_version.rows(path, first_version.TABLES.values())
    assert after == [[first_version.in_todays_words(row) for row in rows] for rows in before]
    for form in checked_rows.FORMS:
        assert asked(path, f"SELECT count(*) FROM {form.table} WHERE crc IS NULL") == [(0,)]
    assert asked(path, "PRAGMA integrity_check") == [("ok",)]
    assert repair.damaged_files(path) == []


async def test_all_of_it_can_be_read(path: Path) -> None:
    """History, findings, events of every kind, job reports and what a probe noted."""
    first_version.make(path)
    async with await Store.open(path, repair_at=END) as store:
        samples = await store.samples(POOL, END - 30 * DAY, END)
        assert len(samples) > 160
        assert samples[-1].value == pytest.approx(0.8 * 2**40, rel=0.01)
        assert {each.observation.key for each in await store.latest()} >= {POOL, HUB, GUEST, SENSOR}
        assert {each.concern for each in await store.findings()} == set(Concern)
        events = await store.events(limit=999)
        assert {each.entry for each in events} == set(Entry)
        assert len(events) == 70
        assert {each.concern for each in events} == {*Concern, None}
        reports = await store.job_reports.last("nightly-backup")
        assert reports.good is not None
        assert (reports.good.message, reports.failed and reports.failed.message) == ("all copied", "no space left")
        assert "guest tide-log" in await store.probe_states.read("returned")
        assert await store.probe_states.read("after-reboot") == await store.probe_states.read(
            "returned"
        )  # its kind's name today


@pytest.mark.parametrize(
    "harm", ['key = \'["service hide-hub","answes"]\'', "body = replace(body, 'raised_at', 'raised_as')"]
)
async def test_a_damaged_alert_is_made_again(path: Path, harm: str) -> None:
    """A row that was damaged before the upgrade is replaced by what the event log knows of it."""
    first_version.make(path, 3)
    with closing(sqlite3.connect(path)) as conn, conn:
        assert conn.execute(f"UPDATE alerts SET {harm} WHERE key LIKE '%hide-hub%answer%'").rowcount == 1
    async with await Store.open(path, repair_at=END) as store:
        found = (await alerts(store))[HUB]
        assert (found.state, found.priority) == (State.ACTIVE, Priority.ALARM)
        assert [each.source for each in await store.quarantined(END - DAY, END + 9999 * DAY)] == ["alerts"]


class Life:
    """Today's pipeline and outbox on the upgraded database."""

    def __init__(self, store: Store, looks: Mapping[str, Sequence[Observation] | Exception]) -> None:
        self.clock = Hands()
        self.clock.at = END + MINUTE
        self.store, self.probes = store, [_probe(label, seen) for label, seen in looks.items()]
        self.mail, self.book = ScriptedNotifier(name="mail"), ScriptedNotifier(name="log-book")
        self.outbox = Outbox(store, [self.mail, self.book], self.clock, rest=_short_rest)
        depends_on = {"guests": ["pool skerry"], "bell": ["guest ringing-db"]}
        self.pipeline = Pipeline(PipelineState(store, self.outbox, self.clock, "gannet", UTC), depends_on)
        self.runner = Runner(self.pipeline, self.probes)

    async def begin(self) -> None:
        """Start as the daemon does."""
        await self.runner.start(self.store, END - 99 * DAY, await self.store.last_commit_at())

    async def live(self, time: timedelta) -> None:
        """Let time pass."""
        for passed_s in range(0, int(time.total_seconds()), STEP_S):
            if passed_s % 1200 == 0:
                for each in self.probes:
                    await self.runner.run(each.label)
            await self.pipeline.review()
            self.clock.run(timedelta(seconds=STEP_S))

    async def sent(self, since_id: int = 41) -> list[Delivery]:
        """What was put into the outbox after version 0.1.0, oldest first."""
        return [
            each for each in reversed(await self.store.deliveries(only_open=False, limit=999)) if each.id > since_id
        ]


def _probe(label: str, seen: Sequence[Observation] | Exception) -> ScheduledProbe:
    return ScheduledProbe(label, 1200.0, Script(seen), Rules())


async def _short_rest(wake: asyncio.Event, _seconds: float) -> None:
    try:
        async with asyncio.timeout(0.01):
            await wake.wait()
    except TimeoutError:
        return


def looks(*, ok: bool) -> dict[str, Sequence[Observation] | Exception]:
    """What the probes see: as version 0.1.0 saw it last, or everything OK."""

    def service(key: SeriesKey, *, answers: bool = ok) -> list[Observation]:
        return [Answer(key, answers, "" if answers else "status 502, expected 200-299", 0.04 if answers else None)]

    sensors: list[Observation] = [Condition(SeriesKey("sensor attic", "temperature"), ok=True)]
    due_at = END + 9 * DAY if ok else datetime(2026, 3, 8, 6, 0, tzinfo=UTC)
    return {
        "zfs": [
            Level(POOL, (0.1 if ok else 0.8) * 2**40, 2**40),
            Level(SeriesKey("volume group dock", "space"), 400, 400, not_judged=True),
        ],
        "guests": [
            Condition(GUEST, ok, "" if ok else "paused: I/O error", grave=not ok),
            Condition(SeriesKey("guest nest-cams", "state"), ok=True),
        ],
        **{key.subject.removeprefix("service "): service(key) for key in (HUB, TIDE_LOG, NEST_CAMS, BELL)},
        "ringing": service(RINGING, answers=True),
        "petrel": service(SeriesKey("service petrel", "answer")),
        "hide-hub-snapshots": [Deadline(SNAPSHOTS, due_at, None, DAY.total_seconds())],
        "temperatures": [*sensors, Condition(SENSOR, ok=True)] if ok else sensors,
        "smart": [] if ok else ProbeError("smartctl is not installed: install smartmontools"),
        "device": [Condition(SeriesKey("device lamp-radio", "steady"), ok, "" if ok else "it went away")],
    }


async def alerts(store: Store) -> dict[SeriesKey, Alert]:
    """By series."""
    return {each.key: each for each in await store.alerts()}


async def test_alerts_are_as_they_were(path: Path) -> None:
    """Raised, acknowledged, shelved, held by another one, rectified, chattering: each as version 0.1.0 left it."""
    first_version.make(path)
    async with await Store.open(path, repair_at=END) as store:
        found = await alerts(store)
        assert {each.concern for each in found.values() if each.standing} == set(Concern)
        assert (found[HUB].state, found[HUB].notified_priority, found[HUB].message_count) == (
            State.ACTIVE,
            Priority.ALARM,
            2,
        )
        assert found[TIDE_LOG].state is State.ACKNOWLEDGED
        assert found[TIDE_LOG].acknowledged_at is not None
        assert found[NEST_CAMS].shelved(END)
        assert (found[BELL].held_by, found[BELL].notified_priority) == (GUEST, None)
        assert found[RINGING].state is State.RECTIFIED
        assert found[SeriesKey("device lamp-radio", "steady")].chattering


async def test_nothing_is_notified_again(path: Path) -> None:
    """While everything stays as it was, no message repeats an older one, and acknowledged alerts stay acknowledged.

    The pool has grown for most of a day. Version 0.1.0 called that a caution; it is enough for a warning now.
    """
    first_version.make(path)
    async with await Store.open(path, repair_at=END) as store:
        life = Life(store, looks(ok=False))
        await life.begin()
        await life.live(15 * MINUTE)  # petrel becomes an alarm after 20: that would be news
        rise = "pool skerry full in about 2 days (Wed 11 Mar), now a warning"
        assert sorted((each.notifier, each.message.headline) for each in await life.sent()) == [
            ("log-book", rise),
            ("mail", rise),
        ]
        found = await alerts(store)
        assert found[TIDE_LOG].state is State.ACKNOWLEDGED
        assert found[HUB].raised_at == datetime(2026, 3, 8, 21, 3, 20, tzinfo=UTC)


async def test_an_alert_ends_in_its_thread(path: Path) -> None:
    """When all is well again, each alert that was notified ends with one message, in the thread in which it began.

    The pool's is eased: it was emptied once, after a day of growth, so it is still forecast to fill again, but late.
    """
    first_version.make(path)
    before = first_version.threads()
    async with await Store.open(path, repair_at=END) as store:
        counts = {key: alert.message_count for key, alert in (await alerts(store)).items()}
        life = Life(store, looks(ok=True))
        await life.begin()
        await life.live(8 * HOUR)
        ended = {each.message.key: each.message for each in await life.sent() if each.notifier == "mail"}
        assert set(ended) >= {POOL, HUB, TIDE_LOG, GUEST, SENSOR}
        assert not {NEST_CAMS, BELL, RINGING} & set(ended)  # shelved; never notified; over before
        for key, message in ended.items():
            expected = NotificationKind.EASED if key == POOL else NotificationKind.ENDED
            assert message.kind is expected, message.headline
            assert message.thread == before[key]
            assert message.number == counts[key] + 1 or key == POOL  # a sudden drop first widens the forecast's range
            assert message.earlier_ids[0] == f"{before[key]}-1"
        assert {each.key for each in (await alerts(store)).values() if each.standing} == {POOL}


async def test_what_waits_is_delivered(path: Path) -> None:
    """A message that was put off is delivered; one that was set aside stays so.

    Its fields have other names now. The receiver may have accepted it before the upgrade without being able to confirm
    that, and one id must never have two contents: so it has an id of its own.
    """
    first_version.make(path)
    waiting = [
        row[0] for row in asked(path, "SELECT json_extract(message, '$.id') FROM outbox WHERE state = 'waiting'")
    ]
    async with await Store.open(path, repair_at=END) as store:
        life = Life(store, {})
        life.clock.run(HOUR)
        delivering = asyncio.create_task(life.outbox.run())
        async with asyncio.timeout(60):
            while len(life.mail.got) < len(waiting):  # noqa: ASYNC110  the notifier has no event
                await asyncio.sleep(0.01)
        await life.outbox.close(1.0)
        await delivering
        assert set(life.mail.got) == {f"{each}-upgraded" for each in waiting}
        assert life.book.tried == []
        left = await store.deliveries()
        assert {(each.notifier, each.state) for each in left} == {("log-book", DeliveryState.SET_ASIDE)}
        assert [each.trouble for each in left] == ["log-book: 404 Not Found"] * 6


async def test_a_message_that_was_never_tried_keeps_its_id(path: Path) -> None:
    """No receiver can have it with another content."""
    first_version.make(path)
    with closing(sqlite3.connect(path)) as conn, conn:
        conn.execute("UPDATE outbox SET tries = 0 WHERE id = 40")
    (before,) = asked(path, "SELECT json_extract(message, '$.id') FROM outbox WHERE id = 40")
    async with await Store.open(path, repair_at=END):
        pass
    assert asked(path, "SELECT json_extract(message, '$.id') FROM outbox WHERE id = 40") == [before]


OTHERS = {
    SNAPSHOTS: (SeriesKey("job nightly-backup", "check-in"), "report"),
    SENSOR: (SeriesKey("btrfs /srv", "mended data"), "scrub errors"),
    GUEST: (SeriesKey("guests", "memory promised"), "memory allocation"),
    SeriesKey("device lamp-radio", "steady"): (SeriesKey("thin pool skerry/bulk", "promised"), "allocation"),
    HUB: (SeriesKey("service hide-hub", "promised"), "promised"),  # a word of somebody else
}
"""Series of the dump, as which they are written instead, and today's quantity."""


@pytest.mark.parametrize("version", [2, 3, 4])
async def test_quantities_have_todays_names(path: Path, version: int) -> None:
    """History, findings, alerts and events go on under the new name, and an alert ends in its thread."""
    dump = first_version.about_others({old: new for old, (new, _) in OTHERS.items()})
    first_version.make(path, version, dump)
    first = {each: SeriesKey(each.subject, name) for each, name in OTHERS.values()}
    async with await Store.open(path, repair_at=END) as store:
        await store.inspect(whole=True)
        assert await store.quarantined(END - DAY, END + 9999 * DAY) == []
        keys = {each.key for each in await store.series()}
        assert keys >= set(first.values())
        assert not keys & {each for each, today in first.items() if each != today}
        for today in first.values():
            assert await store.samples(today, END - 30 * DAY, END)
            assert [each.key for each in await store.events(key=today)]
        found = await alerts(store)
        assert found[BELL].held_by == first[OTHERS[GUEST][0]]
        for each, today in first.items():
            threads = {
                d.message.thread for d in await store.deliveries(only_open=False, limit=999) if d.message.key == today
            }
            assert thread_of(found[today], "gannet") in threads, each
    assert asked(
        path, "SELECT count(*) FROM events WHERE key LIKE '%memory promised%' OR body LIKE '%\"check-in\"%'"
    ) == [(0,)]


async def test_a_name_that_is_taken_stops_nothing(path: Path) -> None:
    """A program of the operator may have reported a quantity under what is today's name: both are kept as they are."""
    keys = {GUEST: SeriesKey("guests", "memory promised"), SENSOR: SeriesKey("guests", "memory allocation")}
    first_version.make(path, dump=first_version.about_others(keys))
    async with await Store.open(path, repair_at=END) as store:
        assert {each.key for each in await store.series()} >= set(keys.values())
        assert (await alerts(store)).keys() >= set(keys.values())
