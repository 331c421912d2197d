"""Backups and what is put back: with a daemon that writes, full disks, power cuts and files that are no use."""

import asyncio
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random

import pytest

from tests.store import damage, older
from tests.store.material import SKERRY, START, asked, samples, transition
from tests.store.test_full import ROOT, _private_mounts
from tests.support.needs import need
from watchkeeper.errors import OutputError, StartError, StoreDamaged, StoreError, StoreMissing, StoreTooNew
from watchkeeper.store import Store, schema
from watchkeeper.store.files import backup as copies
from watchkeeper.store.files import file_lock

REPLACED = "watchkeeper.db.replaced-20260301T063000Z"


def _names(folder: Path) -> set[str]:
    return {each.name for each in folder.iterdir()}


async def test_a_copy_while_the_daemon_writes(store: Store, path: Path, tmp_path: Path) -> None:
    """The copy is whole turns, sound, a single file of its owner's, and the writer was not held up by it."""
    await store.commit(samples(5000))
    for number in range(1, 20):
        await store.commit(transition(number))
    target = tmp_path / "copy.db"
    copying = asyncio.create_task(asyncio.to_thread(copies.back_up, path, target, replace=False))
    number = 20
    while not copying.done():
        await store.commit(transition(number))
        number += 1
    assert await copying == target.stat().st_size
    assert asked(target, "PRAGMA integrity_check") == [("ok",)]
    lines, deliveries = asked(target, "SELECT count(*) FROM events"), asked(target, "SELECT count(*) FROM outbox")
    assert lines == deliveries >= [(19,)]
    assert target.stat().st_mode & 0o777 == file_lock.FILE_MODE
    assert _names(tmp_path) == {"copy.db", "state"}
    copies.check(target)


async def test_a_copy_is_a_database_like_ours(store: Store, path: Path, tmp_path: Path) -> None:
    """Marks, version and the way that pages are handed back are in the copy too, so that it can take the place."""
    target = tmp_path / "copy.db"
    copies.back_up(path, target, replace=False)
    for pragma in ("application_id", "user_version", "auto_vacuum", "page_size"):
        assert asked(target, f"PRAGMA {pragma}") == asked(path, f"PRAGMA {pragma}")
    async with await Store.open(target) as copy:
        await copy.commit(samples(1))
    await store.commit(samples(1))


async def test_nothing_is_overwritten_unasked(store: Store, path: Path, tmp_path: Path) -> None:
    """A file that is there is only replaced with --force; the database itself and a folder never are."""
    await store.commit(samples(1))
    target = tmp_path / "copy.db"
    target.write_text("the operator's letter")
    with pytest.raises(OutputError, match="exists: name another file, or replace it with --force"):
        copies.back_up(path, target, replace=False)
    assert target.read_text() == "the operator's letter"
    with pytest.raises(OutputError, match="is the database itself"):
        copies.back_up(path, path.parent / ".." / "state" / path.name, replace=True)
    with pytest.raises(OutputError, match="is a folder"):
        copies.back_up(path, tmp_path, replace=True)
    copies.back_up(path, target, replace=True)
    copies.check(target)


def test_a_place_that_is_not_there(tmp_path: Path) -> None:
    """Neither a missing database nor a missing folder makes anything."""
    with pytest.raises(StoreMissing, match="there is no database at"):
        copies.back_up(tmp_path / "none.db", tmp_path / "copy.db", replace=False)
    assert _names(tmp_path) == set()
    damage.make(tmp_path / "watchkeeper.db")
    with pytest.raises(OutputError, match="No such file or directory"):
        copies.back_up(tmp_path / "watchkeeper.db", tmp_path / "jetty" / "copy.db", replace=False)


def test_a_damaged_database_makes_no_copy(path: Path, tmp_path: Path) -> None:
    """What cannot be read whole is no backup, and the one that was there stays."""
    damage.make(path)
    target = tmp_path / "copy.db"
    copies.back_up(path, target, replace=False)
    before = target.read_bytes()
    damage.overwrite(path, damage.pages(path, "samples")[9], Random(1))
    with pytest.raises(StoreDamaged, match=f"{path} is damaged"):
        copies.back_up(path, target, replace=True)
    assert target.read_bytes() == before
    assert _names(tmp_path) == {"copy.db", "state"}


_ON_A_FULL_DISK = """
import json, subprocess, sys
from pathlib import Path
from watchkeeper.errors import StoreFull
from watchkeeper.store.files import backup as copies

source, folder = Path(sys.argv[1]), Path(sys.argv[2])
subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)], check=True)
target = folder / "copy.db"
target.write_text("the copy of before")
try:
    copies.back_up(source, target, replace=True)
    said = "nothing"
except StoreFull as error:
    said = str(error)
print(json.dumps([said, target.read_text(), sorted(each.name for each in folder.iterdir())]))
"""


def test_a_full_disk_leaves_the_copy_of_before(path: Path, tmp_path: Path) -> None:
    """On a tmpfs that is too small: told with the copy's name, nothing half is left, the older copy is untouched."""
    command = _private_mounts()
    need(command, "neither root nor user namespaces: a private tmpfs cannot be mounted")
    damage.make(path)
    folder = tmp_path / "small"
    folder.mkdir()
    ran = subprocess.run(
        [*command, sys.executable, "-c", _ON_A_FULL_DISK, str(path), str(folder)],
        check=False,
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=60,
    )
    assert ran.returncode == 0, ran.stderr
    said, content, names = json.loads(ran.stdout)
    assert said.startswith(f"{folder}/.copy.db.")
    assert "cannot be written because its file system is full" in said
    assert content == "the copy of before"
    assert names == ["copy.db"]


@pytest.mark.parametrize("steps", range(3))
def test_a_power_cut_while_copying(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, steps: int) -> None:
    """Before it is synced the copy has another name: what stands under the given one is always whole."""
    damage.make(path)
    target = tmp_path / "copy.db"
    copies.back_up(path, target, replace=False)
    before, left = target.stat().st_ino, steps

    def cut(place: Path) -> None:
        nonlocal left
        if left == 0:
            raise KeyboardInterrupt
        left -= 1
        assert place == target.parent or target.stat().st_ino == before

    monkeypatch.setattr(file_lock, "sync", cut)
    if steps < 2:
        with pytest.raises(KeyboardInterrupt):
            copies.back_up(path, target, replace=True)
    else:
        copies.back_up(path, target, replace=True)
    assert (target.stat().st_ino == before) is (steps == 0)
    copies.check(target)
    assert _names(tmp_path) == {"copy.db", "state"}


# Restoring ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def backup(path: Path, tmp_path: Path) -> Path:
    """A backup of a database that has gone on since."""
    damage.make(path)
    target = tmp_path / "backup.db"
    copies.back_up(path, target, replace=False)

    async def go_on() -> None:
        async with await Store.open(path) as store:
            await store.commit(transition(77))

    asyncio.run(go_on())
    return target


def test_a_backup_takes_the_place(backup: Path, path: Path) -> None:
    """What was in the backup is there again, what was there is kept beside it, and the daemon starts with it."""
    aside = copies.restore(backup, path, START)
    assert aside == path.with_name(REPLACED)
    assert asked(path, "SELECT count(*) FROM events") == [(damage.TRANSITIONS,)]
    assert asked(aside, "SELECT count(*) FROM events") == [(damage.TRANSITIONS + 1,)]
    assert path.stat().st_mode & 0o777 == file_lock.FILE_MODE

    async def start() -> int:
        async with await Store.open(path, repair_at=START) as store:
            await store.commit(transition(88))
            return len(await store.samples(SKERRY, START, START.replace(year=2027)))

    assert asyncio.run(start()) > 0
    assert _names(path.parent) == {path.name, f"{path.name}.lock", REPLACED}


def test_a_backup_where_nothing_was(backup: Path, tmp_path: Path) -> None:
    """On a new host there is neither a database nor its folder."""
    path = tmp_path / "new" / "host" / "watchkeeper.db"
    assert copies.restore(backup, path, START) is None
    assert path.parent.stat().st_mode & 0o777 == file_lock.FOLDER_MODE
    copies.check(path)


def test_a_killed_daemons_wal_goes_with_its_database(backup: Path, path: Path) -> None:
    """A -wal that was left behind is set aside too: played into the restored one, it would ruin it."""
    copy = path.with_name("killed")
    conn = sqlite3.connect(path, isolation_level=None)
    conn.execute("PRAGMA journal_mode = WAL")
    conn.execute("PRAGMA wal_autocheckpoint = 0")
    conn.execute("DELETE FROM samples")
    shutil.copyfile(path, copy)
    shutil.copyfile(f"{path}-wal", f"{copy}-wal")
    conn.close()
    copy.replace(path)
    Path(f"{copy}-wal").replace(f"{path}-wal")
    assert asked(path, "SELECT count(*) > 0 FROM samples") == [(0,)]
    shutil.copyfile(path, copy)
    copies.restore(backup, path, START)
    assert asked(path, "SELECT count(*) > 0 FROM samples") == [(1,)]


async def test_not_while_a_daemon_runs(path: Path, tmp_path: Path) -> None:
    """The daemon's lock keeps a restore out; nothing is changed."""
    async with await Store.open(path) as store:
        await store.commit(transition(1))
        copies.back_up(path, tmp_path / "backup.db", replace=False)
        before = os.stat(path).st_ino  # noqa: PTH116  the rule against blocking calls knows only the other
        with pytest.raises(StartError, match=f"in use by process {os.getpid()}"):
            copies.restore(tmp_path / "backup.db", path, START)
        assert os.stat(path).st_ino == before  # noqa: PTH116  as above
    assert _names(path.parent) == {path.name, f"{path.name}.lock"}


def _empty(backup: Path) -> None:
    backup.write_bytes(b"")


def _letter(backup: Path) -> None:
    backup.write_bytes(b"a letter about the hides " * 400)


def _others(backup: Path) -> None:
    backup.unlink()
    with closing(sqlite3.connect(backup)) as conn:
        conn.execute("CREATE TABLE birds (ring TEXT)")


def _later(backup: Path) -> None:
    with closing(sqlite3.connect(backup)) as conn:
        conn.execute(f"PRAGMA user_version = {schema.VERSION + 1}")


def _torn(backup: Path) -> None:
    damage.overwrite(backup, damage.pages(backup, "samples")[9], Random(1))


def _short(backup: Path) -> None:
    damage.truncate(backup, 0.5)


def _index(backup: Path) -> None:
    """An entry that the index lacks: every page is sound, and only the whole check finds it."""
    with closing(sqlite3.connect(backup, isolation_level=None)) as conn:
        conn.execute("PRAGMA writable_schema = ON")
        conn.execute("UPDATE sqlite_schema SET sql = replace(sql, '(entry)', '(key)') WHERE name = 'events_entry'")


def _lacks(backup: Path) -> None:
    with closing(sqlite3.connect(backup)) as conn:
        conn.execute("DROP TABLE days")


def _gone(backup: Path) -> None:
    backup.unlink()


@pytest.mark.parametrize(
    ("spoil", "kind", "words"),
    [
        (_empty, StoreDamaged, "holds no database"),
        (_letter, StoreDamaged, "is not a database of watchkeeper"),
        (_others, StoreDamaged, "is not a database of watchkeeper"),
        (_later, StoreTooNew, "later version"),
        (_torn, StoreDamaged, "is damaged"),
        (_short, StoreDamaged, "is damaged"),
        (_index, StoreDamaged, "is damaged"),
        (_lacks, StoreDamaged, "lacks its tables days"),
        (_gone, StoreError, "there is no file"),
    ],
)
def test_a_backup_of_no_use_changes_nothing(
    backup: Path, path: Path, spoil: "object", kind: type[StoreError], words: str
) -> None:
    """What is no sound database of ours is refused with the reason, before anything is touched."""
    assert callable(spoil)
    spoil(backup)
    before = path.read_bytes()
    with pytest.raises(kind, match=words):
        copies.restore(backup, path, START)
    assert path.read_bytes() == before
    assert _names(path.parent) == {path.name, f"{path.name}.lock"}


def test_a_backup_of_an_older_form(backup: Path, path: Path) -> None:
    """One that an older version made is put back; the daemon brings its tables up to date when it starts."""
    backup.unlink()
    older.make(backup)
    assert copies.restore(backup, path, START) is not None
    assert asked(path, "SELECT count(*) FROM journal") == [(older.LINES,)]


@pytest.mark.parametrize("made", [damage.make, older.make])
@pytest.mark.parametrize(
    ("sql", "words"),
    [
        ("CREATE TRIGGER away AFTER INSERT ON outbox BEGIN DELETE FROM outbox; END", "its trigger away is none of"),
        ("CREATE VIEW birds AS SELECT * FROM alerts", "its view birds is none of"),
        ("CREATE TABLE birds (ring TEXT)", "its table birds is none of"),
        ("DROP INDEX outbox_open", "its index outbox_open is missing"),
        ("ALTER TABLE series ADD COLUMN ring TEXT", "its table series is not as watchkeeper makes it"),
    ],
)
def test_a_backup_with_definitions_of_somebody_else(
    tmp_path: Path, path: Path, made: Callable[[Path], None], sql: str, words: str
) -> None:
    """A trigger that somebody added would run in the daemon: such a file is refused with the name of what it holds."""
    changed = tmp_path / "changed.db"
    made(changed)
    with closing(sqlite3.connect(changed, isolation_level=None)) as conn:
        conn.execute(sql)
    with pytest.raises(StoreDamaged, match=words):
        copies.restore(changed, path, START)
    assert not path.exists()


def test_the_database_is_no_backup_of_itself(backup: Path, path: Path) -> None:
    """Naming the database itself is a mistake, not a restore."""
    assert backup.exists()
    with pytest.raises(StoreError, match="is the database itself"):
        copies.restore(path, path, START)


def test_a_database_of_an_older_form_is_copied_as_it_is(path: Path, tmp_path: Path) -> None:
    """An upgrade copies it before the new daemon converts it, and the older version would need it back in its form."""
    older.make(path)
    before = asked(path, "PRAGMA user_version")
    assert before < [(schema.VERSION,)]
    copies.back_up(path, tmp_path / "copy.db", replace=False)
    assert asked(tmp_path / "copy.db", "PRAGMA user_version") == before
    assert asked(tmp_path / "copy.db", "SELECT count(*) FROM journal") == [(older.LINES,)]


def test_an_empty_file_makes_no_copy(path: Path, tmp_path: Path) -> None:
    """A daemon that never got further has left it: there is nothing to copy yet."""
    file_lock.make_database_file(path)
    with pytest.raises(StoreError, match=f"there is no database at {path} yet"):
        copies.back_up(path, tmp_path / "copy.db", replace=False)
    assert not (tmp_path / "copy.db").exists()
