"""Damaged databases are set aside and rebuilt from what is readable: with really damaged files."""

import asyncio
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random

import pytest

from tests.store import damage
from tests.store.material import DAY, START, asked, transition
from watchkeeper.errors import StoreDamaged, StoreTooNew
from watchkeeper.model.records import EventLine
from watchkeeper.store import Store
from watchkeeper.store import connection as database
from watchkeeper.store.files import file_lock
from watchkeeper.store.recovery import repair, salvage

ASIDE = "watchkeeper.db.damaged-20260301T063000Z"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with content in every table."""
    path = tmp_path_factory.mktemp("whole") / "watchkeeper.db"
    damage.make(path)
    return path


@pytest.fixture
def broken(whole: Path, path: Path) -> Path:
    """A copy of it to be damaged."""
    path.parent.mkdir()
    shutil.copyfile(whole, path)
    return path


def _repaired(path: Path) -> tuple[EventLine, dict[str, int]]:
    """Open as the daemon does: the newest line of the event log, and the current row count of each table."""

    async def look() -> tuple[EventLine, dict[str, int]]:
        async with await Store.open(path, repair_at=START) as store:
            (line,) = await store.events(limit=1)
            counts = {
                "series": len(await store.series()),
                "latest": len(await store.latest()),
                "findings": len(await store.findings()),
                "alerts": len(await store.alerts()),
                "events": len(await store.events(limit=9999)),
                "deliveries": len(await store.deliveries(only_open=False, limit=9999)),
                "probe_states": len(await store.probe_states.read("returned")),
            }
            for table in ("samples", "hours", "days"):
                counts[table] = int(str(asked(path, f"SELECT count(*) FROM {table}")[0][0]))
            await store.check_indexes()  # what the check at the start does not find
            assert asked(path, "PRAGMA integrity_check") == [("ok",)]
            assert asked(path, "PRAGMA foreign_key_check") == []
            await store.commit(transition(99))
            assert await store.next_delivery("mail") is not None
            return line, counts

    return asyncio.run(look())


@pytest.fixture(scope="module")
def full(whole: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, int]:
    """The row count of each table in the undamaged one."""
    copy = tmp_path_factory.mktemp("full") / "watchkeeper.db"
    shutil.copyfile(whole, copy)
    line, counts = _repaired(copy)
    assert "damaged" not in line.text
    assert [each.name for each in copy.parent.iterdir() if "damaged" in each.name] == []
    return counts


def _of_table(name: str) -> Callable[[Path, Random], None]:
    def overwrite(path: Path, chance: Random) -> None:
        damage.overwrite(path, damage.pages(path, name)[-1], chance)

    return overwrite


def _definitions(path: Path, chance: Random) -> None:
    for page in damage.pages(path, "sqlite_schema"):
        damage.overwrite(path, page, chance)


@pytest.mark.parametrize(
    ("harm", "lost"),
    [
        (lambda path, chance: damage.overwrite(path, 1, chance), set()),
        (_definitions, set()),
        (_of_table("samples"), {"samples"}),
        (_of_table("hours"), {"hours"}),
        (_of_table("days"), {"days"}),
        (_of_table("series"), set()),
        (_of_table("latest"), {"latest", "series"}),
        (_of_table("findings"), {"findings"}),
        (_of_table("alerts"), {"alerts"}),
        (_of_table("events"), {"events"}),
        (_of_table("outbox"), {"deliveries"}),
        (_of_table("probe_states"), {"probe_states"}),
        (_of_table("job_reports"), set()),
        (_of_table("store_state"), set()),
        (_of_table("sqlite_sequence"), set()),
        (_of_table("outbox_next"), set()),
    ],
)
def test_what_is_in_other_pages_is_kept(
    broken: Path, full: dict[str, int], harm: Callable[[Path, Random], None], lost: set[str]
) -> None:
    """An overwritten page costs its content; a page of table definitions or of an index costs nothing."""
    before = broken.stat().st_size
    harm(broken, Random(7))
    line, counts = _repaired(broken)
    assert line.text.startswith(f"the database was damaged: it was set aside as {ASIDE}, and a new one begun with ")
    assert line.details["file"] == str(broken.with_name(ASIDE))
    assert line.details["damage"]
    assert broken.with_name(ASIDE).stat().st_size == before
    assert repair.damaged_files(broken) == [broken.with_name(ASIDE)]
    full = {**full, "events": full["events"] + 1}  # the line that reports it
    assert {name for name in counts if counts[name] < full[name]} - {"series"} == lost - {"series"}
    assert not {name for name in counts if counts[name] > full[name]}


@pytest.mark.parametrize("page", [5, 40, 70])
@pytest.mark.parametrize("harm", damage.HARMS)
def test_a_page_of_samples_costs_no_more_than_itself(
    broken: Path, full: dict[str, int], harm: Callable[[Path, int, Random], None], page: int
) -> None:
    """Of 15,030 samples, a harmed page loses about the 170 that it holds: of each of three series, also after it.

    A cell that seems to belong to another series ended a series without an error.
    """
    harm(broken, damage.pages(broken, "samples")[page], Random(page))
    _, counts = _repaired(broken)
    assert full["samples"] - counts["samples"] < 2 * (damage.PAGE // 22)


@pytest.mark.parametrize("harm", damage.HARMS)
@pytest.mark.parametrize("table", ["samples", "hours", "days"])
def test_the_root_of_a_table_costs_only_itself(
    broken: Path, full: dict[str, int], harm: Callable[[Path, int, Random], None], table: str
) -> None:
    """Below a root are all rows of a table: its other pages are read without it, and nothing deleted comes back."""
    root = damage.pages(broken, table)[0]
    held = asked(broken, f"SELECT ncell FROM dbstat WHERE pageno = {root}")[0][0]
    harm(broken, root, Random(5))
    _, counts = _repaired(broken)
    assert 0 <= full[table] - counts[table] <= int(str(held))
    assert counts["hours"] + counts["days"] <= full["hours"] + full["days"]


@pytest.mark.parametrize("share", [0.9, 0.5, 0.2, 0.01, 0.0001])
def test_a_truncated_file_gives_what_is_left(broken: Path, full: dict[str, int], share: float) -> None:
    """Wherever the file was cut off, what is left is salvaged.

    A stump without a page yields nothing, and the daemon starts anyway.
    """
    damage.truncate(broken, share)
    line, counts = _repaired(broken)
    assert "was damaged" in line.text
    assert counts["samples"] < full["samples"]
    if share >= 0.5:
        assert counts["samples"] > share * full["samples"] / 2
        assert counts["alerts"] == 1


@pytest.mark.parametrize("seed", range(30))
def test_bytes_overwritten_anywhere(broken: Path, full: dict[str, int], seed: int) -> None:
    """Whatever is hit, the daemon starts with a valid database, and it contains no more than before.

    Rows in a wrong order are not found at the start: the check of the indexes reports them, and the next start repairs.
    """
    chance = Random(seed)
    for _ in range(chance.randrange(1, 8)):
        page = chance.randrange(1, broken.stat().st_size // damage.PAGE + 1)
        damage.overwrite(broken, page, chance, chance.randrange(4000), chance.randrange(1, 96))

    async def first_run() -> None:
        async with await Store.open(broken, repair_at=START - DAY) as store:
            await store.check_indexes()

    asyncio.run(first_run())
    lines = int(str(asked(broken, "SELECT count(*) FROM events")[0][0]))
    _, counts = _repaired(broken)
    assert counts["events"] <= max(lines, full["events"]) + 1
    assert all(counts[name] <= full[name] + 1 for name in counts if name != "events")
    assert counts["samples"] > 0


def test_what_the_wal_holds_is_salvaged_too(path: Path) -> None:
    """The last commits of a killed daemon are in the -wal; it is read, and set aside with its database."""
    damage.make(path)
    conn = database.open_writing(path)
    conn.execute("PRAGMA wal_autocheckpoint = 0")
    with database.transaction(conn, durable=True):
        conn.execute("INSERT INTO samples VALUES (1, 1, 5.0, 6.0)")
    copy = path.parent / "killed" / "watchkeeper.db"
    copy.parent.mkdir()
    for tail in ("", "-wal"):
        shutil.copyfile(f"{path}{tail}", f"{copy}{tail}")
    conn.close()
    damage.overwrite(copy, damage.pages(path, "hours")[0], Random(1))
    _repaired(copy)
    assert asked(copy, "SELECT value FROM samples WHERE at_ms = 1") == [(5.0,)]
    aside = copy.with_name(ASIDE)
    assert aside.with_name(f"{ASIDE}-wal").stat().st_size > 0
    assert asked(aside, "SELECT value FROM samples WHERE at_ms = 1") == [(5.0,)]


def test_ids_are_not_used_twice(broken: Path) -> None:
    """Although the newest lines and deliveries are lost, later ones get higher numbers."""
    last = asked(broken, "SELECT max(id) FROM outbox")
    damage.overwrite(broken, damage.pages(broken, "outbox")[-1], Random(1))
    _repaired(broken)  # commits one more
    assert asked(broken, "SELECT count(*) FROM outbox") < last
    assert asked(broken, "SELECT max(id) FROM outbox") == [(int(str(last[0][0])) + 1,)]


@pytest.mark.parametrize("content", [b"a letter about the hides " * 400, b"x" * 600])
def test_a_file_of_something_else_is_left_alone(path: Path, content: bytes) -> None:
    """A file that was never a watchkeeper database is refused, not set aside."""
    path.parent.mkdir()
    path.write_bytes(content)
    with pytest.raises(StoreDamaged, match="is not a database of watchkeeper"):
        asyncio.run(Store.open(path, repair_at=START))
    assert path.read_bytes() == content


def test_another_programs_database_is_left_alone(path: Path) -> None:
    """So is another program's database, damaged or not, and one of a later version."""
    path.parent.mkdir()
    with closing(sqlite3.connect(path)) as conn:
        conn.executescript("CREATE TABLE birds (ring TEXT); INSERT INTO birds VALUES ('a')")
    with pytest.raises(StoreDamaged, match="is not a database of watchkeeper"):
        asyncio.run(Store.open(path, repair_at=START))
    damage.overwrite(path, 2, Random(1))
    with pytest.raises(StoreDamaged):
        asyncio.run(Store.open(path, repair_at=START))
    assert repair.damaged_files(path) == []


def test_a_later_version_is_left_alone(broken: Path) -> None:
    """A database that a later version wrote is not damaged."""
    with closing(sqlite3.connect(broken)) as conn:
        conn.execute("PRAGMA user_version = 99")
    with pytest.raises(StoreTooNew):
        asyncio.run(Store.open(broken, repair_at=START))
    assert repair.damaged_files(broken) == []


def test_a_missing_table_is_made_again(broken: Path, full: dict[str, int]) -> None:
    """A database that lacks a table is rebuilt with all the others."""
    with closing(sqlite3.connect(broken)) as conn:
        conn.execute("DROP TABLE days")
    line, counts = _repaired(broken)
    assert "lacks its tables days" in line.details["damage"]
    assert counts == {**full, "days": 0, "events": full["events"] + 1}


def test_an_empty_file_is_a_new_database(path: Path) -> None:
    """A start that was killed before its first table is not damage."""
    path.parent.mkdir()
    path.touch()

    async def opens() -> None:
        async with await Store.open(path, repair_at=START):
            pass

    asyncio.run(opens())
    path.with_name("other.db").touch()
    with closing(sqlite3.connect(path.with_name("third.db"))) as conn:
        conn.execute("PRAGMA application_id = 1464553554")
    repair.repair(path.with_name("third.db"), START)
    assert repair.damaged_files(path) == []


@pytest.mark.parametrize("steps", range(12))
def test_a_power_cut_at_any_step_loses_nothing(
    broken: Path, full: dict[str, int], monkeypatch: pytest.MonkeyPatch, steps: int
) -> None:
    """Killed before any of the renames and syncs, the next start ends like an undisturbed one.

    The result is a valid database with what could be read, and the damaged one beside it.
    """
    damage.overwrite(broken, damage.pages(broken, "samples")[20], Random(3))
    left = steps

    class PowerCut(BaseException):
        """Not caught by anything."""

    def cut(real: Callable[..., object]) -> Callable[..., object]:
        def step(*args: object, **more: object) -> object:
            nonlocal left
            if left == 0:
                raise PowerCut
            left -= 1
            return real(*args, **more)

        return step

    with monkeypatch.context() as patch:
        patch.setattr(file_lock, "sync", cut(file_lock.sync))
        patch.setattr(Path, "rename", cut(Path.rename))
        patch.setattr(Path, "replace", cut(Path.replace))
        try:
            repair.repair(broken, START)
        except PowerCut:
            assert left == 0
    _, counts = _repaired(broken)
    assert full["samples"] - 2 * (damage.PAGE // 22) < counts["samples"] < full["samples"]
    assert counts["events"] == full["events"] + 1
    (aside,) = repair.damaged_files(broken)
    assert aside.stat().st_size > 0
    names = {each.name for each in broken.parent.iterdir()}
    assert names <= {"watchkeeper.db", "watchkeeper.db.lock", aside.name, f"{aside.name}-wal"}


def test_where_definitions_are_few(tmp_path: Path) -> None:
    """Definitions that fit into the first page are in the first page."""
    with closing(sqlite3.connect(tmp_path / "small.db")) as conn:
        conn.execute("CREATE TABLE birds (ring TEXT)")
    assert repair._definition_pages((tmp_path / "small.db").read_bytes(), damage.PAGE) == [1]


def test_names_with_signs_of_a_pattern(tmp_path: Path, whole: Path) -> None:
    """A folder and a name with [ and * are taken literally."""
    path = tmp_path / "a[b]*" / "watch[1]*.db"
    path.parent.mkdir()
    shutil.copyfile(whole, path)
    damage.overwrite(path, damage.pages(path, "samples")[20], Random(3))
    _repaired(path)
    (aside,) = repair.damaged_files(path)
    assert aside.name == "watch[1]*.db.damaged-20260301T063000Z"


def test_rows_that_make_no_sense_are_not_taken_over(broken: Path) -> None:
    """Overwritten text and numbers may be readable without an error; they are validated like any input."""
    with closing(sqlite3.connect(broken, isolation_level=None)) as conn:
        conn.execute("DROP TRIGGER events_keep_text")
        conn.execute("UPDATE events SET body = 'x' WHERE id = 3")
        conn.execute("UPDATE outbox SET message = '{}' WHERE id = 4")
        conn.execute("UPDATE series SET kind = 'x' WHERE id = 2")
        conn.execute("UPDATE probe_states SET state = 'x'")
        conn.execute("UPDATE samples SET value = 9e999 WHERE series = 1 AND at_ms = (SELECT max(at_ms) FROM samples)")
        conn.execute("INSERT INTO samples VALUES (7, 1, 1.0, 2.0)")
        conn.execute("UPDATE store_state SET last_commit_at_us = 9223372036854775807")
        conn.execute("DROP TABLE job_reports")  # so that it counts as damaged
    line, counts = _repaired(broken)
    assert "3 series" in line.text
    assert counts["events"] == damage.TRANSITIONS
    assert counts["deliveries"] == damage.TRANSITIONS - 1
    assert counts["probe_states"] == 0
    assert asked(broken, "SELECT count(*) FROM samples WHERE series = 7 OR value > 1e300") == [(0,)]


def test_a_table_that_gives_a_row_twice(tmp_path: Path) -> None:
    """A row that the new tables refuse costs itself, and not those behind it."""
    new = database.open_writing(tmp_path / "new.db")
    good, bad = (1, 1, 1.0, 2.0), (1, 2, "x", 2.0)
    count = salvage._copy(new, "samples", iter([good, good, bad, (1, 2), (1, 3, 1.0, 2.0)]))
    assert count == 2
    new.close()


def test_only_the_owner_may_read_it(broken: Path) -> None:
    """The new database is as private as any."""
    damage.overwrite(broken, damage.pages(broken, "samples")[20], Random(3))
    _repaired(broken)
    assert broken.stat().st_mode & 0o777 == file_lock.FILE_MODE


async def test_last_life_is_kept(broken: Path) -> None:
    """The daemon can still report since when it was away."""
    async with await Store.open(broken) as store:
        before = await store.last_commit_at()
    damage.overwrite(broken, damage.pages(broken, "samples")[20], Random(3))
    async with await Store.open(broken, repair_at=START + 9 * DAY) as store:
        assert await store.last_commit_at() == before
