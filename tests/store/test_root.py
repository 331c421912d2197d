"""Root works on the database of the daemon's user, who has replaced each file with something that leads to root's.

Each command either does its work or refuses; root's file keeps its content, owner and mode, and nothing is created
beside it.
"""

import asyncio
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.store.material import START, asked, samples, transition
from tests.support.folders import DAEMON, SECRET, STRANGER, TRAPS, Ground, Trap, folder, ground, link, names
from watchkeeper.errors import OutputError, StartError, StoreDamaged, StoreError, WatchkeeperError
from watchkeeper.model.probe_state import JobReport
from watchkeeper.store import Store
from watchkeeper.store.files import backup as copies
from watchkeeper.store.files import file_lock, job_spool

PATIENCE_S = 60
REPLACED = "watchkeeper.db.replaced-20260301T063000Z"


async def _fill(path: Path, number: int) -> None:
    async with await Store.open(path) as store:
        await store.commit(samples(20))
        await store.commit(transition(number))


@pytest.fixture(scope="module")
def backup(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A backup owned by root, which no other user may read."""
    home = tmp_path_factory.mktemp("roots")
    asyncio.run(_fill(home / "watchkeeper.db", 1))
    copies.back_up(home / "watchkeeper.db", home / "backup.db", replace=False)
    return home / "backup.db"


@pytest.fixture
def bounded() -> Iterator[None]:
    """Ends a test that would block on a pipe permanently."""

    def give_up(*_: object) -> None:
        raise TimeoutError(f"it waits for more than {PATIENCE_S} s")

    before = signal.signal(signal.SIGALRM, give_up)
    signal.alarm(PATIENCE_S)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.fixture(params=["open", "closed"])
def where(request: pytest.FixtureRequest, backup: Path, bounded: None) -> Iterator[Ground]:  # noqa: ARG001  for the order only
    """The daemon's folder with a database in it; closed: only root may enter the folder above, as with DynamicUser=."""
    with ground(closed=request.param == "closed") as laid:
        laid.database.write_bytes(backup.read_bytes())
        laid.give()
        yield laid


async def _read(path: Path) -> int:
    async with await Store.open(path, read_only=True) as store:
        return len(await store.events())


def _back_up(where: Ground, _backup: Path) -> None:
    copies.back_up(where.database, where.top / "copy.db", replace=False)


def _restore(where: Ground, backup: Path) -> None:
    copies.restore(backup, where.database, START)


def _show(where: Ground, _backup: Path) -> None:
    asyncio.run(_read(where.database))


def _leave(where: Ground, _backup: Path) -> None:
    job_spool.leave(job_spool.spool_of(where.database), JobReport("nightly-backup", datetime(2026, 3, 1, tzinfo=UTC)))


def _write(where: Ground, _backup: Path) -> None:
    asyncio.run(_fill(where.database, 2))


Work = Callable[[Ground, Path], None]
WORKS: tuple[Work, ...] = (_back_up, _restore, _show, _leave)


def _refusal(work: Work, where: Ground, backup: Path) -> str:
    """The error with which the work was refused; empty if it was done."""
    try:
        work(where, backup)
    except WatchkeeperError as error:
        return str(error)
    return ""


NAMES = ("", "-wal", "-shm", "-journal", ".lock", ".jobs", ".salvaging", REPLACED.removeprefix("watchkeeper.db"))


@pytest.mark.parametrize("work", [*WORKS, _write])
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("trap", TRAPS)
def test_whatever_is_put_in_a_files_place(where: Ground, backup: Path, work: Work, name: str, trap: Trap) -> None:
    """Done, or refused in one line; root's file is unchanged."""
    path = where.database.with_name(where.database.name + name)
    path.unlink(missing_ok=True)
    trap(path, where)
    said = _refusal(work, where, backup)
    assert "\n" not in said
    assert not said or str(where.top) in said
    if trap.__name__ == "hard":
        path.unlink(missing_ok=True)
    assert where.untouched


@pytest.mark.parametrize("work", WORKS)
def test_without_a_trap_the_work_is_done(where: Ground, backup: Path, work: Work) -> None:
    """And everything created in the folder belongs to its owner."""
    work(where, backup)
    for path in where.state.rglob("*"):
        assert (path.lstat().st_uid, path.lstat().st_gid) == (DAEMON, DAEMON), path
    assert where.untouched


def test_a_copy_belongs_to_root(where: Ground, backup: Path) -> None:
    """It is complete, readable by root only, and nothing is left beside the database or beside the copy."""
    _back_up(where, backup)
    copy = where.top / "copy.db"
    assert (copy.stat().st_uid, copy.stat().st_mode & 0o777) == (0, file_lock.FILE_MODE)
    assert asked(copy, "SELECT count(*) FROM events") == [(1,)]
    assert names(where.state) == ["watchkeeper.db"]
    assert not list(where.top.glob("*.part"))
    with pytest.raises(OutputError, match="exists: name another file"):
        _back_up(where, backup)


def test_a_copy_to_a_folder_of_a_third_user(where: Ground) -> None:
    """It is written with that user's rights, whatever that user has put there."""
    theirs = where.top / "theirs"
    theirs.mkdir()
    (theirs / "copy.db").symlink_to(where.victim)
    (theirs / "way").symlink_to(where.victim.parent)
    os.chown(theirs, STRANGER, STRANGER)
    with pytest.raises(OutputError, match="exists: name another file"):
        copies.back_up(where.database, theirs / "copy.db", replace=False)
    copies.back_up(where.database, theirs / "copy.db", replace=True)
    assert (theirs / "copy.db").lstat().st_uid == STRANGER
    assert asked(theirs / "copy.db", "SELECT count(*) FROM events") == [(1,)]
    with pytest.raises(StartError, match="leads over"):
        copies.back_up(where.database, theirs / "way" / "copy.db", replace=False)
    assert where.untouched


def test_a_copy_to_a_folder_of_everybody(where: Ground) -> None:
    """In a folder like /tmp a link at the copy's path is replaced, with --force, and not followed."""
    shared = where.top / "shared"
    shared.mkdir()
    shared.chmod(0o1777)
    link(shared / "copy.db", where)
    copies.back_up(where.database, shared / "copy.db", replace=True)
    assert (shared / "copy.db").lstat().st_uid == 0
    assert where.untouched


def test_what_is_restored_belongs_to_the_daemon(where: Ground, backup: Path) -> None:
    """From a backup that its user may not even read; the daemon can continue with it."""
    aside = copies.restore(backup, where.database, START)
    assert aside == where.database.with_name(REPLACED)
    assert names(where.state) == ["watchkeeper.db", "watchkeeper.db.lock", REPLACED]
    assert asked(backup, "SELECT count(*) FROM events") == [(1,)]


def test_the_database_is_neither_its_copy_nor_its_backup(where: Ground) -> None:
    """By whatever path it is named; a copy beside it belongs to the daemon."""
    other = where.top / "lib" / ".." / "state" / "watchkeeper.db"
    (where.top / "lib").mkdir(exist_ok=True)
    with pytest.raises(OutputError, match="is the database itself"):
        copies.back_up(where.database, other, replace=True)
    with pytest.raises(StoreError, match="is the database itself"):
        copies.restore(other, where.database, START)
    copies.back_up(where.database, where.state / "copy.db", replace=False)
    assert (where.state / "copy.db").stat().st_uid == DAEMON


def test_a_backup_of_no_use_is_named(where: Ground, tmp_path: Path) -> None:
    """By its own name, and not by that of the temporary copy."""
    letter = tmp_path / "letter"
    letter.write_text("a letter about the hides " * 400)
    before = where.database.read_bytes()
    with pytest.raises(StoreDamaged, match=f"^{letter} is damaged"):
        copies.restore(letter, where.database, START)
    with pytest.raises(StoreError, match=f"there is no file {tmp_path}/none"):
        copies.restore(tmp_path / "none", where.database, START)
    assert where.database.read_bytes() == before
    assert names(where.state) == ["watchkeeper.db", "watchkeeper.db.lock"]


@pytest.mark.parametrize("trap", TRAPS)
@pytest.mark.parametrize("shared", [False, True])
def test_a_backup_that_leads_elsewhere(where: Ground, trap: Trap, shared: bool) -> None:  # noqa: FBT001  a parameter
    """Root reads a backup with the rights of whoever could have put it there: nothing of root's gets in."""
    theirs = where.top / "theirs"
    theirs.mkdir()
    if shared:
        theirs.chmod(0o1777)
    else:
        os.chown(theirs, STRANGER, STRANGER)
    trap(theirs / "backup.db", where)
    before = where.database.read_bytes()
    with pytest.raises(WatchkeeperError, match=r"theirs/backup\.db"):
        copies.restore(theirs / "backup.db", where.database, START)
    assert where.database.read_bytes() == before
    assert not any(SECRET.encode() in path.read_bytes() for path in where.state.iterdir())
    (theirs / "backup.db").unlink()
    assert where.untouched


def test_a_folder_swapped_for_a_link(where: Ground, backup: Path) -> None:
    """A folder in the daemon's folder becomes a link to root's a moment later: refused here, or by the kernel."""
    (where.state / "deep").mkdir()
    folder(where.state / "way", where)
    for work in (_back_up, _restore, _show, _leave):
        deep = Ground(where.top, where.state / "way", where.victim)
        with pytest.raises(WatchkeeperError, match="leads over"):
            work(deep, backup)
    assert where.untouched


def test_links_that_come_and_go(where: Ground, backup: Path) -> None:
    """Anyone quick enough to pass the check is stopped by the kernel: root has the rights of the owner alone."""
    ended = threading.Event()
    names = [where.database.with_name(where.database.name + tail) for tail in ("-wal", "-shm", ".lock", "-journal")]

    def swap() -> None:
        for turn in range(20_000):
            if ended.is_set():
                return
            for path in names:
                path.unlink(missing_ok=True)
                if turn % 2:
                    path.symlink_to(where.victim)

    swapper = threading.Thread(target=swap)
    swapper.start()
    try:
        end_s = time.monotonic() + 2.0
        done = 0
        while done < 30 and time.monotonic() < end_s:
            for work in (_restore, _show, _leave):
                try:
                    work(where, backup)
                except (WatchkeeperError, FileExistsError):
                    continue
            done += 1
    finally:
        ended.set()
        swapper.join(30)
    assert done
    assert where.untouched


def test_the_daemon_is_not_run_by_root_there(where: Ground) -> None:
    """It would leave files owned by root that the daemon's own user then cannot open; nothing is created."""
    with pytest.raises(StartError, match=r"belongs to .*, and this is root: run this as that user"):
        asyncio.run(_fill(where.database, 2))
    assert names(where.state) == ["watchkeeper.db"]


def test_a_file_of_roots_that_was_left_there(where: Ground) -> None:
    """Named with its owner and the remedy: the daemon cannot use it either."""
    where.database.with_name("watchkeeper.db-shm").touch()
    with pytest.raises(StoreError, match=r"db-shm belongs to user root and its folder to .*give it to that user"):
        asyncio.run(_read(where.database))


def test_a_link_of_roots_to_the_daemons_database(where: Ground, backup: Path) -> None:
    """It decides for which user root works there, like a link to the folder."""
    way = where.top / "own-link.db"
    way.symlink_to(where.database)
    assert asyncio.run(_read(way)) == 1
    copies.restore(backup, way, START)
    assert where.database.stat().st_uid == DAEMON
    assert way.is_symlink()


def test_roots_own_database_is_no_others_affair(backup: Path, tmp_path: Path) -> None:
    """In root's own folder everything works as usual, but a link in place of the lock is not followed there either."""
    path = tmp_path / "state" / "watchkeeper.db"
    assert copies.restore(backup, path, START) is None
    asyncio.run(_fill(path, 3))
    path.with_name("watchkeeper.db.lock").unlink()
    path.with_name("watchkeeper.db.lock").symlink_to(tmp_path / "new")
    with pytest.raises(StartError, match="is a link, and links are not followed here"):
        asyncio.run(_fill(path, 4))
    path.with_name("watchkeeper.db.lock").unlink()
    os.mkfifo(path.with_name("watchkeeper.db.lock"))
    with pytest.raises(StartError, match="is no file"):
        asyncio.run(_fill(path, 4))
    assert not (tmp_path / "new").exists()
