"""The database that the first version wrote: version 1 before roll-ups existed, when tables were changed in place."""

import sqlite3
from contextlib import closing
from pathlib import Path

from tests.store.material import HOUR, START, asked, samples
from watchkeeper.model.alert import Priority
from watchkeeper.model.observation import SeriesKey
from watchkeeper.store import Store, schema
from watchkeeper.store import connection as database
from watchkeeper.store.files import backup as copies

DUMP = Path(__file__).with_name("first_form.sql")
KEPT = ("series", "samples", "latest", "findings", "alerts", "outbox")
HIDE_HUB = SeriesKey("service hide-hub", "answer")


def _first(path: Path) -> None:
    path.parent.mkdir()
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        schema.prepare_empty(conn)
        conn.executescript(DUMP.read_text())
        conn.execute("PRAGMA user_version = 1")


def _counts(path: Path) -> list[list[tuple[object, ...]]]:
    return [asked(path, f"SELECT count(*) FROM {table}") for table in KEPT]


def _columns(path: Path) -> dict[str, list[tuple[object, ...]]]:
    listed = asked(path, "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE '%sqlite_%'")
    about = "SELECT name, type, \"notnull\", dflt_value, pk FROM pragma_table_info('{}')"
    foreign = "SELECT * FROM pragma_foreign_key_list('{}')"
    return {
        str(name): asked(path, about.format(name)) + asked(path, foreign.format(name)) for (name,) in sorted(listed)
    }


async def test_it_is_no_damage(path: Path) -> None:
    """It is upgraded in place: nothing is set aside, no row is lost, and all of it can be read."""
    _first(path)
    before = _counts(path)
    async with await Store.open(path, repair_at=START) as store:
        assert {each.probe for each in await store.series()} == {"hide-hub", "memory"}
        assert HIDE_HUB in {each.observation.key for each in await store.latest()}
        (alert,) = await store.alerts()
        assert alert.key == HIDE_HUB
        assert (
            alert.notified_priority is alert.priority is Priority.WARNING
        )  # the priority in its one message: it is not sent again
        assert [each.text for each in await store.events()]
        (delivery,) = await store.deliveries()
        assert delivery.notifier == "webhook"
        assert await store.next_delivery("webhook") == delivery
        assert _counts(path) == before
        await store.commit(samples(3))
        assert await store.samples(samples(1).seen[0].observation.key, START - HOUR, START + HOUR)
    assert not list(path.parent.glob("*damaged*"))


def test_it_is_copied_before_an_upgrade(path: Path, tmp_path: Path) -> None:
    """By the new version's command, which does not change it, and the copy can be restored."""
    _first(path)
    copies.back_up(path, tmp_path / "copy.db", replace=False)
    assert _counts(tmp_path / "copy.db") == _counts(path)
    assert asked(tmp_path / "copy.db", "PRAGMA user_version") == asked(path, "PRAGMA user_version") == [(1,)]
    copies.restore(tmp_path / "copy.db", path, START)
    assert _counts(path) == _counts(tmp_path / "copy.db")


async def test_its_tables_become_the_newest(tmp_path: Path, path: Path) -> None:
    """Afterwards it has the columns, triggers and indexes of a fresh one, and the newest version number."""
    _first(path)
    fresh = tmp_path / "fresh.db"
    database.open_writing(fresh).close()
    database.open_writing(path).close()
    assert _columns(path) == _columns(fresh)
    others = "SELECT name, sql FROM sqlite_schema WHERE type IN ('index', 'trigger') AND sql IS NOT NULL ORDER BY name"
    assert asked(path, others) == asked(fresh, others)
    assert asked(path, "PRAGMA user_version") == [(schema.VERSION,)]
    assert asked(path, "PRAGMA integrity_check") == [("ok",)]
