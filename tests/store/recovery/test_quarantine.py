"""How the store handles damaged rows, wrong indexes, and definitions that are not ours."""

import asyncio
import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.store import damage, harm
from tests.store.material import (
    DAY,
    HIDE_HUB,
    MINUTE,
    SKERRY,
    START,
    alert,
    asked,
    delivery,
    level,
    line,
    samples,
    transition,
)
from watchkeeper.alerting.state_machine import step
from watchkeeper.model.alert import Concern, Delays, NotificationKind, Priority, State
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, SeriesKey
from watchkeeper.model.records import Commit, DeliveryState, Entry, EventLine, Quarantined, Seen
from watchkeeper.store import Store
from watchkeeper.store import connection as database
from watchkeeper.store.history.retention_limits import RetentionLimits
from watchkeeper.store.recovery import indexes, quarantine, repair
from watchkeeper.store.rows import checked_rows

FAR = START + 9_999 * DAY


def _run(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        for statement in statements:
            conn.execute(statement)


def _flip(path: Path, table: str, text: str) -> None:
    """Flip a bit of the first byte of a stored text, below SQLite."""
    assert harm.flip(path, table, text.encode(), 0, 4)


async def _moved(store: Store) -> list[Quarantined]:
    # The read before gave the damaged rows to the one writer thread; this waits for what was given to it before.
    await asyncio.get_running_loop().run_in_executor(store._writers, lambda: None)
    return list(await store.quarantined(START - DAY, FAR))


async def test_a_row_is_kept_whole_in_quarantine(path: Path) -> None:
    """Its values, where it was, when it was found and why; the event log and the log report it, and the row is gone."""
    async with await Store.open(path) as store:
        await store.commit(transition(1))
    _run(path, "UPDATE outbox SET message = CAST(x'7bff7d' AS TEXT)")
    async with await Store.open(path, repair_at=START) as store:
        (moved,) = await _moved(store)
        (noted,) = await store.events(entry=Entry.NOTE)
    assert (moved.source, moved.row) == ("outbox", "1")
    assert moved.why == "its checksum does not match its content"
    assert noted.text == f"the database: {moved.about}; {moved.why}"
    assert noted.key == quarantine.STORED_ROWS
    ((content,),) = asked(path, "SELECT content FROM quarantine")
    kept = json.loads(str(content))
    assert kept["message"] == {"hex": "7bff7d"}
    assert kept["notifier"] == '"mail"'
    assert asked(path, "SELECT count(*) FROM outbox") == [(0,)]


async def test_a_lost_message_is_named(path: Path) -> None:
    """Names its notifier and its subject, if the row still has them."""
    async with await Store.open(path) as store:
        await store.commit(transition(1))
    _run(path, "UPDATE outbox SET message = replace(message, 'guests', 'gueats')")
    async with await Store.open(path, repair_at=START) as store:
        (moved,) = await _moved(store)
    assert moved.about == (
        "a message for mail about pool skerry: space (pool skerry is full in 2 days): it may never have been sent"
    )


async def test_a_journal_line_leaves_only_for_the_quarantine(path: Path) -> None:
    """The event log stays append-only: the trigger permits deleting what was moved, and nothing else."""
    async with await Store.open(path) as store:
        await store.commit(Commit(events=tuple(line(f"line {n}") for n in range(5))))
    _flip(path, "events", "line 2")
    async with await Store.open(path, repair_at=START) as store:
        # What was found is a line too, written in the background at some time after the first reading.
        kept = ["line 4", "line 3", "line 1", "line 0"]
        assert [each.text for each in await store.events() if each.text.startswith("line")] == kept
        limited = [each.text for each in await store.events(limit=3)]
        assert limited == kept[:3] or (limited[0].startswith("the database: "), limited[1:]) == (True, kept[:2])
        (moved,) = await _moved(store)
        assert (moved.source, moved.row) == ("events", "3")
    assert asked(path, "SELECT count(*) FROM events WHERE id = 3") == [(0,)]
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        _run(path, "DELETE FROM events WHERE id = 2")


async def test_a_command_leaves_it_out_and_changes_nothing(path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A reader beside the daemon returns the rest, and reports what it omitted."""
    async with await Store.open(path) as store:
        await store.commit(Commit(events=(line("first"), line("second"))))
    _flip(path, "events", "first")
    async with await Store.open(path, read_only=True) as store:
        assert [each.text for each in await store.events()] == ["second"]
    assert asked(path, "SELECT count(*) FROM events") == [(2,)]
    assert "1 stored rows cannot be read and are left out" in caplog.text


async def test_an_index_that_names_the_old_value(path: Path) -> None:
    """A bit of an indexed column: its index still has the old value. The row is found and moved, the index repaired."""
    async with await Store.open(path) as store:
        await store.commit(transition(1))
        await store.commit(Commit(alerts=(replace(alert(), key=HIDE_HUB),)))
    _flip(path, "alerts", '["pool skerry","space"]')
    assert asked(path, "PRAGMA quick_check") == [("ok",)] != asked(path, "PRAGMA integrity_check")
    async with await Store.open(path, repair_at=START) as store:
        assert {each.source for each in await _moved(store)} == {"alerts"}
    assert asked(path, "PRAGMA integrity_check") == [("ok",)]


async def test_a_row_with_the_key_of_another(path: Path) -> None:
    """One flipped bit makes a unique key equal to another row's: the good row stays."""
    twin = SeriesKey("pool skerrx", "space")  # one bit from skerry
    async with await Store.open(path) as store:
        await store.commit(Commit(alerts=(alert(), replace(alert(), key=twin))))
    content = b'["pool skerry","space"]'
    number = damage.pages(path, "alerts")[0]
    with path.open("r+b") as file:
        file.seek((number - 1) * damage.PAGE)
        at = file.read(damage.PAGE).find(content) + content.index(b"y")
        file.seek((number - 1) * damage.PAGE + at)
        file.write(b"x")
    async with await Store.open(path, repair_at=START) as store:
        assert [each.source for each in await _moved(store)] == ["alerts"]
        assert twin in {each.key for each in await store.alerts()}
    assert asked(path, "PRAGMA integrity_check") == [("ok",)]


async def test_a_damaged_alert_is_raised_again(path: Path) -> None:
    """It was active: it is active again, as the event log says, with the next episode's name, and is to be notified."""
    details = {"event": "raise", "state": "active", "episode": "4", "priority": "warning"}
    raised = EventLine(START, Entry.TRANSITION, "raised", SKERRY, Concern.FULL, details)
    async with await Store.open(path) as store:
        await store.commit(
            Commit(
                seen=samples(3).seen, alerts=(replace(alert(4), notified_priority=Priority.WARNING),), events=(raised,)
            )
        )
    _flip(path, "alerts", '{"key"')
    async with await Store.open(path, repair_at=START) as store:
        (again,) = await store.alerts()
    assert (again.key, again.concern, again.state, again.priority) == (
        SKERRY,
        Concern.FULL,
        State.ACTIVE,
        Priority.WARNING,
    )
    assert again.episode == 5
    _, moves = step(again, Priority.WARNING, START + DAY, Delays())
    assert [each.notification for each in moves] == [NotificationKind.RAISED]


async def test_an_alert_that_had_ended_stays_ended(path: Path) -> None:
    """Its count of episodes continues, so that no message reuses an earlier name."""
    details = {"event": "clear", "state": "normal", "episode": "4"}
    ended = EventLine(START, Entry.TRANSITION, "ended", SKERRY, Concern.FULL, details)
    async with await Store.open(path) as store:
        await store.commit(Commit(alerts=(replace(alert(4), state=State.NORMAL, priority=None),), events=(ended,)))
    _flip(path, "alerts", '{"key"')
    async with await Store.open(path, repair_at=START) as store:
        (kept,) = await store.alerts()
    assert (kept.standing, kept.pending_notification, kept.episode) == (False, None, 4)


@pytest.mark.parametrize(
    "seen",
    [
        Level(SKERRY, 5.0, 10.0),
        Answer(HIDE_HUB, answered=False, reason="no answer"),
        Answer(HIDE_HUB, answered=True, took_s=0.5),
        Deadline(SeriesKey("snapshots of skerry", "age"), START + DAY, START),
        Deadline(SeriesKey("snapshots of skerry", "age"), None),
        Condition(SeriesKey("guest tide-log", "state"), ok=False, reason="stopped"),
    ],
)
async def test_the_newest_observation_is_made_from_its_sample(
    path: Path, seen: Level | Answer | Deadline | Condition
) -> None:
    """So that an alert about the series does not end as if its subject were gone."""
    async with await Store.open(path) as store:
        await store.commit(Commit(seen=(Seen(START, seen, "pools", 60.0),)))
    _run(path, "UPDATE latest SET observation = '{'")
    async with await Store.open(path, repair_at=START) as store:
        (found,) = await store.latest()
        assert len(await store.series()) == 1
    assert (found.observation.key, found.observation.kind, found.at) == (seen.key, seen.kind, START)
    for name in ("used", "capacity", "answered", "took_s", "due_at", "ok"):
        assert getattr(found.observation, name, None) == getattr(seen, name, None)


async def test_a_series_keeps_its_samples(path: Path) -> None:
    """Its own row is rebuilt from its newest observation; the next run supplies the rest."""
    async with await Store.open(path) as store:
        await store.commit(samples(20))
    _flip(path, "series", '["pool skerry"')
    async with await Store.open(path, repair_at=START) as store:
        (series,) = await store.series()
        assert (series.key, series.probe, series.first_at) == (SKERRY, "pools", START)
        await store.commit(Commit(seen=(level(9.0, START + DAY),)))
        assert len(await store.samples(SKERRY, START, START + DAY)) == 21


async def test_a_lost_series_does_not_give_its_samples_to_another(path: Path) -> None:
    """If nothing says what it was, its number is not used again: the next series does not inherit its history."""
    async with await Store.open(path) as store:
        await store.commit(samples(20))
    _run(path, "UPDATE series SET key = 'x'", "UPDATE latest SET observation = 'x'")
    async with await Store.open(path, repair_at=START) as store:
        await store.commit(Commit(seen=(level(1.0, START + DAY, HIDE_HUB),)))
        assert len(await store.samples(HIDE_HUB, START - DAY, START + 2 * DAY)) == 1
        assert [each.key for each in await store.series()] == [HIDE_HUB]


async def test_the_last_life_is_known_from_the_samples(path: Path) -> None:
    """The time since when the daemon was away is still reported."""
    async with await Store.open(path) as store:
        await store.commit(samples(20))
    _run(path, "UPDATE store_state SET last_commit_at_us = 9223372036854775807")
    async with await Store.open(path, repair_at=START + DAY) as store:
        assert await store.last_commit_at() == START + 19 * MINUTE


async def test_a_message_that_no_notifier_asks_for_is_found(store: Store, path: Path) -> None:
    """Its notifier's name is damaged, and no index leads to it: scanning the outbox finds it."""
    await store.commit(transition(1))
    _run(path, "UPDATE outbox SET notifier = '\"mbil\"'")
    assert await store.next_delivery("mail") is None
    assert await _moved(store) == []
    await store.inspect(whole=False)
    assert [each.source for each in await _moved(store)] == ["outbox"]


async def test_a_head_that_was_lost(store: Store, path: Path) -> None:
    """Which message is first in its thread is derived: it is corrected without a report."""
    await store.commit(transition(1))
    _run(path, "UPDATE outbox SET head = 0")
    assert await store.next_delivery("mail") is None
    await store.inspect(whole=False)
    assert await store.next_delivery("mail") is not None
    assert await _moved(store) == []


async def test_an_index_that_names_a_delivered_message(path: Path) -> None:
    """It is not delivered again and again: the outbox continues with the next one, and the index is rebuilt."""
    async with await Store.open(path) as store:
        await store.commit(transition(1))
        await store.commit(transition(2))
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        (sql,) = conn.execute("SELECT sql FROM sqlite_schema WHERE name = 'outbox_next'").fetchone()
        conn.execute("PRAGMA writable_schema = ON")
        conn.execute("UPDATE sqlite_schema SET sql = replace(sql, 'head = 1', 'head = 7') WHERE name = 'outbox_next'")
    with closing(database.open_reading(path)) as _:
        pass
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        values = list(conn.execute(f"{checked_rows.OUTBOX_FORM.selected} WHERE id = 1").fetchone()[1:-1])
        values[2] = DeliveryState.DELIVERED.value
        conn.execute(
            "UPDATE outbox SET state = ?, head = 0, crc = ? WHERE id = 1", (values[2], checked_rows.checksum(*values))
        )
        conn.execute("PRAGMA writable_schema = ON")
        conn.execute("UPDATE sqlite_schema SET sql = ? WHERE name = 'outbox_next'", (sql,))
    assert asked(path, "PRAGMA integrity_check") != [("ok",)]
    async with await Store.open(path) as store:
        for _ in range(3):
            found = await store.next_delivery("mail")
            assert found is not None
            assert found.id == 2
        await store.commit(Commit())
    assert asked(path, "PRAGMA integrity_check") == [("ok",)]


async def test_a_delivery_of_a_message_that_was_moved_meanwhile(store: Store, path: Path) -> None:
    """It was read while it was intact: its outcome is recorded, with the message as it was."""
    await store.commit(transition(1))
    whole = await store.next_delivery("mail")
    assert whole is not None
    _run(path, "UPDATE outbox SET message = 'x'")
    await store.inspect(whole=False)
    assert len(await _moved(store)) == 1
    await store.delivery_done(replace(whole, state=DeliveryState.DELIVERED, done_at=START))
    (kept,) = await store.deliveries(only_open=False)
    assert (kept.id, kept.state, kept.message) == (whole.id, DeliveryState.DELIVERED, whole.message)


async def test_bringing_forward_blesses_no_damage(store: Store, path: Path) -> None:
    """A damaged message that is brought forward in its thread keeps its wrong checksum."""
    await store.commit(Commit(deliveries=(delivery("a", 1, START + DAY),)))
    _run(path, "UPDATE outbox SET message = replace(message, 'guests', 'gueats')")
    await store.commit(Commit(deliveries=(delivery("a", 2, START),)))
    found = await store.next_delivery("mail")
    assert found is not None
    assert found.message.number == 2
    assert len(await _moved(store)) == 1


async def test_the_quarantine_is_bounded(store: Store, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of many damaged rows, the newest are kept."""
    monkeypatch.setattr(quarantine, "_BOUND", quarantine._BOUND.replace(str(quarantine.KEPT), "10"))
    await store.commit(Commit(events=tuple(line(f"line {n}") for n in range(50))))
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        (sql,) = conn.execute("SELECT sql FROM sqlite_schema WHERE name = 'events_keep_text'").fetchone()
        conn.execute("DROP TRIGGER events_keep_text")
        conn.execute("UPDATE events SET crc = 0")
        conn.execute(sql)
    assert await store.events(limit=10) == []
    assert len(await _moved(store)) == 10


# Samples ----------------------------------------------------------------------------------------------------------


async def test_samples_that_cannot_be_right_are_left_out(store: Store, path: Path) -> None:
    """Infinite values and times outside the calendar stop no chart, no history and no roll-up."""
    await store.commit(samples(200))
    _run(
        path,
        "UPDATE samples SET value = 9e999 WHERE at_ms = (SELECT min(at_ms) FROM samples)",
        "UPDATE samples SET bound = -9e999 WHERE at_ms = (SELECT max(at_ms) FROM samples)",
        "INSERT INTO samples VALUES (1, 9223372036854775807, 1, 1), (1, -9223372036854775808, 1, 1)",
    )
    assert len(await store.samples(SKERRY, START - DAY, START + DAY)) == 198
    assert sum(each.samples for each in await store.samples_thinned(SKERRY, START - DAY, START + DAY, 50)) == 198
    (history,) = [each async for each in store.level_samples(START - 99 * DAY)]
    assert history.at_s.max() < (START + DAY).timestamp()
    assert (await store.extent()).samples_from == START
    await store.keep(RetentionLimits(samples=START + DAY))
    assert sum(each.samples for each in await store.samples_thinned(SKERRY, START - DAY, START + DAY, 50)) == 198


async def test_hours_that_cannot_be_right_are_left_out(store: Store, path: Path) -> None:
    """A count that overflows when it is added stops no roll-up."""
    await store.commit(samples(200))
    await store.keep(RetentionLimits(samples=(START + 2 * timedelta(hours=1)).replace(minute=0)))
    _run(path, "UPDATE hours SET samples = 9223372036854775807 WHERE stretch = (SELECT min(stretch) FROM hours)")
    _run(path, "UPDATE hours SET least = NULL WHERE stretch = (SELECT max(stretch) FROM hours)")
    assert await store.samples(SKERRY, START - DAY, START + DAY)
    assert await store.samples_thinned(SKERRY, START - DAY, START + DAY, 5)
    assert [each async for each in store.level_samples(START - 99 * DAY)]
    await store.commit(Commit(seen=(level(1.0, START),)))
    await store.keep(RetentionLimits(samples=START + DAY, hours=(START + DAY).replace(hour=0, minute=0)))
    assert asked(path, "SELECT count(*) FROM hours") == asked(path, "SELECT count(*) FROM samples") == [(0,)]
    assert await store.samples_thinned(SKERRY, START - DAY, START + 2 * DAY, 5)


# Indexes ----------------------------------------------------------------------------------------------------------


async def test_a_wrong_index_is_found_and_built_again(path: Path) -> None:
    """A flipped bit in an index page hides rows from queries; the weekly check finds and reports it."""
    async with await Store.open(path) as store:
        await store.commit(Commit(events=tuple(line(f"line {n}") for n in range(50))))
    assert harm.flip(path, "events_key", b'["pool skerry","space"]', 3, 1)
    assert asked(path, "PRAGMA quick_check") == [("ok",)]
    async with await Store.open(path, repair_at=START) as store:
        await store.check_indexes()
        assert len(await store.events(key=SKERRY, limit=99)) == 50
        (moved,) = await _moved(store)
        assert (moved.source, moved.row) == ("sqlite_schema", "events_key")
        await store.check_indexes()
        assert len(await _moved(store)) == 1
    assert asked(path, "PRAGMA integrity_check") == [("ok",)]


async def test_a_check_that_takes_too_long_is_given_up(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It must not hold an old state of the database for hours."""
    async with await Store.open(path) as store:
        await store.commit(Commit(events=tuple(line(f"line {n}") for n in range(500))))
        monkeypatch.setattr(indexes, "LONGEST_S", -1.0)
        monkeypatch.setattr(indexes, "STEPS", 10)
        assert indexes.check(path) == []


async def test_an_index_entry_of_no_row_does_not_stop_the_start(path: Path) -> None:
    """SQLite cannot read through such an index, and its quick check does not detect it: it is rebuilt at the start."""
    async with await Store.open(path) as store:
        for number in range(1, 5):
            await store.commit(transition(number))
    # The entry of row 2: 5 bytes, of which 3 are the header, then two integers of one byte, and the row's number twice.
    assert harm.flip(path, "outbox_open", b"\x05\x03\x01\x01\x02\x02", 5, 6)
    assert asked(path, "PRAGMA quick_check") == [("ok",)]
    with pytest.raises(sqlite3.DatabaseError, match="malformed"):
        asked(path, "SELECT message FROM outbox INDEXED BY outbox_open WHERE state <> 'delivered' ORDER BY id")
    async with await Store.open(path, repair_at=START) as store:
        assert len(await store.deliveries()) == 4
    assert asked(path, "PRAGMA integrity_check") == [("ok",)]
    assert repair.damaged_files(path) == []


async def test_what_can_be_read_in_no_way_is_begun_again(path: Path) -> None:
    """If rows cannot be read although SQLite's check found nothing, the database is set aside like any damaged one."""
    async with await Store.open(path) as store:
        await store.commit(transition(1))
    repair.repair(path, START, "found by the caller")
    assert len(repair.damaged_files(path)) == 1
    async with await Store.open(path, repair_at=START) as store:
        assert len(await store.deliveries()) == 1


# Definitions ------------------------------------------------------------------------------------------------------


async def test_a_hostile_trigger_does_not_run(path: Path) -> None:
    """An added trigger empties the outbox: it is removed before the first write, and reported."""
    async with await Store.open(path) as store:
        await store.commit(transition(1))
    _run(path, "CREATE TRIGGER away AFTER INSERT ON events BEGIN DELETE FROM outbox; END", "DROP INDEX events_key")
    async with await Store.open(path, repair_at=START) as store:
        await store.commit(transition(2))
        assert len(await store.deliveries()) == 2
        about = {each.about for each in await _moved(store)}
    assert about == {"the trigger away: it was removed", "the index events_key: it was made again"}
    assert asked(path, "SELECT name FROM sqlite_schema WHERE name IN ('away', 'events_key')") == [("events_key",)]


def test_a_trigger_of_ours_with_other_words(path: Path) -> None:
    """A trigger with the name of ours but a different action is created again."""
    asyncio.run(_with_transition(path))
    _run(
        path,
        "DROP TRIGGER events_keep_text",
        "CREATE TRIGGER events_keep_text AFTER INSERT ON outbox BEGIN DELETE FROM outbox; END",
    )
    asyncio.run(_with_transition(path))
    assert asked(path, "SELECT count(*) FROM outbox") == [(2,)]
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        _run(path, "UPDATE events SET entry = 'x'")


async def _with_transition(path: Path) -> None:
    async with await Store.open(path, repair_at=START) as store:
        await store.commit(transition(1))


def test_a_table_that_is_not_ours(path: Path) -> None:
    """The database is set aside and rebuilt with everything of ours; the foreign table stays in the old file."""
    asyncio.run(_with_transition(path))
    _run(path, "CREATE TABLE birds (ring TEXT)")
    asyncio.run(_with_transition(path))
    (aside,) = repair.damaged_files(path)
    assert asked(aside, "SELECT count(*) FROM birds") == [(0,)]
    assert asked(path, "SELECT count(*) FROM outbox") == [(2,)]
    assert asked(path, "SELECT name FROM sqlite_schema WHERE name = 'birds'") == []


# Salvage ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "many"), [("events", 400), ("outbox", 400), ("samples", 4000), ("findings", 1), ("alerts", 1)]
)
@pytest.mark.parametrize("bit", [5, 6])
def test_a_row_number_that_jumps_hides_no_other_row(tmp_path: Path, table: str, many: int, bit: int) -> None:
    """One flipped bit in the key of one row costs at most that row; every other one is kept."""
    path = tmp_path / "watchkeeper.db"
    asyncio.run(_with_many(path))
    before = asked(path, f"SELECT count(*) FROM {table}")[0][0]
    assert isinstance(before, int)
    assert before >= many
    _jump(path, table, bit)
    if table in ("events", "outbox", "samples"):
        assert asked(path, "PRAGMA integrity_check") != [("ok",)]
    _run(path, "CREATE TABLE birds (ring TEXT)")  # so that it counts as damaged, whatever SQLite makes of the key
    repair.repair(path, START)
    kept = asked(path, f"SELECT count(*) FROM {table}")[0][0]
    assert isinstance(kept, int)
    assert kept - (1 if table == "events" else 0) >= before - 1  # the event log has a line about it


async def _with_many(path: Path) -> None:
    async with await Store.open(path) as store:
        await store.commit(samples(4000))
        for number in range(1, 401):
            await store.commit(replace(transition(number), seen=()))


def _jump(path: Path, table: str, bit: int) -> None:
    """Flip a bit of a row number (a varint before the row's content), or of a sample's time."""
    number = damage.pages(path, table)[len(damage.pages(path, table)) // 2 if table != "alerts" else 0]
    with path.open("r+b") as file:
        file.seek((number - 1) * damage.PAGE)
        page = bytearray(file.read(damage.PAGE))
        # https://www.sqlite.org/fileformat2.html#b_tree_pages: 13 a leaf of a table, 10 of an index or WITHOUT ROWID.
        assert page[0] in (13, 10)
        cell = int.from_bytes(page[8:10], "big")
        if table == "samples":  # the size, a header with its own size first, and then the series and the time
            at = cell + 1 + page[cell + 1] + 2
        else:
            at = cell + 1
            while page[at - 1] & 0x80:
                at += 1
        page[at] ^= 1 << bit
        file.seek((number - 1) * damage.PAGE)
        file.write(page)
