"""The database's folder, files and lock."""

import errno
import os
import signal
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from tests.store.material import transition
from tests.support.processes import started
from watchkeeper.errors import StartError, StoreFull
from watchkeeper.store import Store
from watchkeeper.store.files import file_lock

ROOT = Path(__file__).parents[3]


def _mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


async def test_nobody_else_can_look_in(tmp_path: Path) -> None:
    """Every folder that is created has mode 0700 and every file 0600, whatever the umask allows."""
    before = os.umask(0)
    try:
        path = tmp_path / "a" / "b" / "watchkeeper.db"
        async with await Store.open(path) as store:
            await store.commit(transition(1))
            modes = {each.name: _mode(each) for each in path.parent.iterdir()}
    finally:
        os.umask(before)
    assert set(modes) == {"watchkeeper.db", "watchkeeper.db-wal", "watchkeeper.db-shm", "watchkeeper.db.lock"}
    assert set(modes.values()) == {0o600}
    assert {_mode(path.parent), _mode(path.parent.parent)} == {0o700}


def test_a_folder_that_is_there_keeps_its_mode(tmp_path: Path) -> None:
    """A folder that systemd or the operator created is not changed."""
    folder = tmp_path / "state"
    folder.mkdir(mode=0o750)
    file_lock.make_database_file(folder / "watchkeeper.db")
    assert _mode(folder) == 0o750


def test_a_place_that_cannot_be_used_is_named(tmp_path: Path) -> None:
    """A file in place of a folder results in an error with the path, the reason and the remedy."""
    (tmp_path / "state").write_text("not a folder")
    with pytest.raises(
        StartError, match=r"state/watchkeeper\.db cannot be opened for writing.*give this user the right"
    ):
        file_lock.make_database_file(tmp_path / "state" / "watchkeeper.db")
    with pytest.raises(StartError, match="cannot be opened for writing"):
        file_lock.Lock(tmp_path / "nowhere" / "watchkeeper.db")


def test_no_room_for_the_file_is_told_as_such(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """ENOSPC while the folder is created is reported as a full store, not as a missing permission."""

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "open", full)
    with pytest.raises(StoreFull, match="cannot be created"):
        file_lock.make_database_file(tmp_path / "watchkeeper.db")


async def test_a_second_daemon_is_refused_and_told_by_whom(store: Store, path: Path) -> None:
    """The database has one writer; the error names the process that holds it, and the first one still writes."""
    with pytest.raises(StartError, match=rf"in use by process {os.getpid()}: end that one first"):
        await Store.open(path)
    await store.commit(transition(1))
    assert len(await store.events()) == 1


@pytest.mark.usefixtures("store")
async def test_a_lock_without_a_name_in_it_still_holds(path: Path) -> None:
    """If the disk was too full to write the holder's name, the second daemon is still refused."""
    path.with_name("watchkeeper.db.lock").write_bytes(b"")
    with pytest.raises(StartError, match="in use by another process"):
        await Store.open(path)


def test_a_disk_too_full_for_the_name_does_not_stop_the_daemon(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The name in the lock file is informative only; the kernel holds the lock."""

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "pwrite", full)
    lock = file_lock.Lock(tmp_path / "watchkeeper.db")
    with pytest.raises(StartError, match="another process"):
        file_lock.Lock(tmp_path / "watchkeeper.db")
    lock.release()
    monkeypatch.undo()
    file_lock.Lock(tmp_path / "watchkeeper.db").release()


_HOLD = """
import asyncio, sys
from pathlib import Path
from watchkeeper.store import Store

async def hold():
    await Store.open(Path(sys.argv[1]))
    print("open", flush=True)
    await asyncio.sleep(600)

asyncio.run(hold())
"""


def test_the_kernel_lets_go_when_the_holder_is_killed(path: Path) -> None:
    """After SIGKILL nothing has to be cleaned up by hand: the next daemon starts."""
    with started([sys.executable, "-c", _HOLD, str(path)], stdout=subprocess.PIPE, cwd=ROOT) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"open\n"
        with pytest.raises(StartError, match=f"in use by process {holder.pid}"):
            file_lock.Lock(path)
        holder.send_signal(signal.SIGKILL)
        holder.wait(30)
    file_lock.Lock(path).release()
