"""The database that version 0.1.0 wrote: form 2, before rows had checksums. Its upgrade keeps everything."""

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path
from random import Random

import pytest

from tests.store import damage, older
from tests.store.material import DAY, HIDE_HUB, SKERRY, START, asked, samples
from watchkeeper.model.records import DeliveryState, Entry
from watchkeeper.store import Store, schema
from watchkeeper.store import connection as database
from watchkeeper.store.recovery import definitions, repair
from watchkeeper.store.rows import checked_rows

KEPT = ("series", "samples", "hours", "latest", "findings", "alerts", "outbox")
TABLES = {"journal": "events", "notes": "probe_states", "check_ins": "job_reports", "life": "store_state"}
"""Tables that have another name today."""


def _content(path: Path, tables: Iterable[str]) -> list[list[tuple[object, ...]]]:
    """Every row, by the columns that version 2 had."""
    columns = {
        table: [str(name) for (name,) in asked(path, f"SELECT name FROM pragma_table_info('{table}')") if name != "crc"]
        for table in tables
    }
    return [asked(path, f"SELECT {', '.join(names)} FROM {table} ORDER BY 1, 2") for table, names in columns.items()]


NAMES = {
    *(("sound", "ok"), ("may_be_full", "not_judged"), ("telling", "kind"), ("told", "notified_priority")),
    *(("tellings", "message_count"), ("falls", "recent_ends"), ("comings", "raise_count"), ("trial", "test")),
}


def _renamed(row: tuple[object, ...]) -> tuple[object, ...]:
    """A row of version 2 with the names of today."""
    return tuple(_text(value) if isinstance(value, str) else value for value in row)


def _text(value: str) -> str:
    for old, new in NAMES:
        value = value.replace(f'"{old}":', f'"{new}":')
    return value


async def test_nothing_is_lost(path: Path) -> None:
    """It is upgraded in place: every value is unchanged, every row has its checksum and can be read."""
    older.make(path)
    before = _content(path, (*KEPT, *TABLES))
    async with await Store.open(path, repair_at=START) as store:
        assert {each.key for each in await store.series()} > {SKERRY, HIDE_HUB}
        assert len(await store.latest()) == 4
        assert len(await store.alerts()) == len(await store.findings()) == 1
        assert len(await store.events()) == older.LINES
        assert len(await store.deliveries(only_open=False)) == 3
        found = await store.next_delivery("mail")
        assert found is not None
        assert found.state is DeliveryState.WAITING
        assert await store.probe_states.read("returned") == "guests: tide-log"
        assert (await store.job_reports.last("nightly-backup")).good is not None
        assert len(await store.samples(SKERRY, START - DAY, START + DAY)) > older.SAMPLES
        await store.inspect(whole=True)
        assert await store.quarantined(START - DAY, START + 9999 * DAY) == []
    with closing(sqlite3.connect(path)) as conn, conn:
        assert conn.execute("DELETE FROM probe_states WHERE owner = '\"after-reboot\"'").rowcount == 1  # a copy
    assert _content(path, (*KEPT, *TABLES.values())) == [[_renamed(row) for row in rows] for rows in before]
    for form in checked_rows.FORMS:
        assert asked(path, f"SELECT count(*) FROM {form.table} WHERE crc IS NULL") == [(0,)]
    assert repair.damaged_files(path) == []


async def test_a_row_that_cannot_be_read_is_moved(path: Path) -> None:
    """A row that was damaged before the upgrade is lost; the rest is kept."""
    older.make(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        conn.execute("UPDATE outbox SET state = 'waitinh' WHERE id = 2")
        conn.execute("UPDATE series SET key = CAST(x'5bff' AS TEXT) WHERE id = 2")
        conn.execute("UPDATE notes SET owner = CAST(x'ff' AS TEXT)")
    async with await Store.open(path, repair_at=START) as store:
        found = await store.next_delivery("mail")
        assert found is not None
        assert found.id == 3
        assert HIDE_HUB in {each.key for each in await store.series()}  # from its newest observation
        moved = {each.source for each in await store.quarantined(START - DAY, START + 9999 * DAY)}
        assert moved == {"outbox", "series", "probe_states"}
        await store.commit(samples(1))


async def test_a_damaged_one_is_salvaged(path: Path) -> None:
    """One of its pages is broken: it is set aside, and what can be read gets its checksums in the new one."""
    older.make(path)
    damage.overwrite(path, damage.pages(path, "findings")[0], Random(1))
    async with await Store.open(path, repair_at=START) as store:
        assert len(await store.series()) == 4
        assert len(await store.events(entry=Entry.TRANSITION)) == older.LINES
        assert len(await store.deliveries(only_open=False)) == 3
        assert await store.findings() == []
        assert await store.probe_states.read("returned") == "guests: tide-log"
        assert len(await store.samples(SKERRY, START - DAY, START + DAY)) > older.SAMPLES
        await store.inspect(whole=True)
        assert await store.quarantined(START - DAY, START + 9999 * DAY) == []
    (aside,) = repair.damaged_files(path)
    assert aside.exists()


@pytest.mark.parametrize("version", range(1, schema.VERSION))
def test_every_upgrade_ends_with_the_same_definitions(tmp_path: Path, version: int) -> None:
    """So that foreign definitions can be distinguished from those that an older version made differently."""
    path = tmp_path / "watchkeeper.db"
    if version == 2:
        older.make(path)
    else:
        with closing(sqlite3.connect(path, isolation_level=None)) as conn:
            schema.prepare_empty(conn)
            conn.executescript(Path(__file__).with_name("first_form.sql").read_text())
            conn.execute("PRAGMA user_version = 1")
    with closing(database.open_writing(path)) as conn:
        assert definitions.differences(conn, schema.VERSION) == []
        assert conn.execute("SELECT count(*) FROM quarantine").fetchone() == (0,)
