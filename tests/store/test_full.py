"""The database's file system is full: the unit of work is refused whole, reads continue, and so do later writes."""

import asyncio
import json
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from tests.store.material import asked, samples, transition
from tests.support.needs import need
from watchkeeper.errors import StoreFull
from watchkeeper.store import Store
from watchkeeper.store import connection as database

ROOT = Path(__file__).parents[2]

_ON_A_TINY_DISK = """
import asyncio, contextlib, json, os, sqlite3, subprocess, sys
from pathlib import Path
from tests.store.material import transition
from watchkeeper.errors import StoreFull
from watchkeeper.store import Store

folder = Path(sys.argv[1])
subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m,mode=700", "tmpfs", str(folder)], check=True)

def fill():
    with contextlib.suppress(OSError), (folder / "ballast").open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))

async def write_until_full(store, first):
    for number in range(first, first + 5000):
        try:
            await store.commit(transition(number))
        except StoreFull as error:
            return number, str(error)

async def main():
    said = {}
    path = folder / "watchkeeper.db"
    store = await Store.open(path)
    for number in range(1, 11):
        await store.commit(transition(number))
    fill()
    failed, said["words"] = await write_until_full(store, 11)
    said["turns"] = failed - 1
    said["all"] = [len(await store.events(limit=9999)), len(await store.deliveries(limit=9999))]
    outcomes = await asyncio.gather(*(store.commit(transition(failed + n)) for n in range(3)), return_exceptions=True)
    said["together"] = [type(each).__name__ for each in outcomes]
    said["again"] = [len(await store.events(limit=9999)), len(await store.deliveries(limit=9999))]
    try:
        await Store.open(folder / "other" / "watchkeeper.db")
    except StoreFull as error:
        said["opening"] = str(error)
    (folder / "ballast").unlink()
    await store.commit(transition(failed))
    said["after"] = len(await store.events(limit=9999))
    await store.close()
    said["integrity"] = sqlite3.connect(path).execute("PRAGMA integrity_check").fetchone()[0]
    print(json.dumps(said))

asyncio.run(main())
"""


def _private_mounts() -> list[str]:
    """The command that gives a process its own mounts: as root, or with a user namespace."""
    for command in (["unshare", "-m"], ["unshare", "-Urm"]):
        if (
            shutil.which("unshare")
            and not subprocess.run([*command, "true"], check=False, capture_output=True, timeout=60).returncode
        ):
            return command
    return []


def test_a_full_disk_refuses_whole_turns_and_nothing_else(tmp_path: Path) -> None:
    """On a tmpfs of 2 MiB that another file fills, refused units of work leave nothing.

    StoreFull names the file, the rest can be read, opening another database there is StoreFull too, and with free space
    the same store writes again.
    """
    command = _private_mounts()
    need(command, "neither root nor user namespaces: a private tmpfs cannot be mounted")
    ran = subprocess.run(
        [*command, sys.executable, "-c", _ON_A_TINY_DISK, str(tmp_path)],
        check=False,
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=60,
    )
    assert ran.returncode == 0, ran.stderr
    said = json.loads(ran.stdout)
    turns = said["turns"]
    assert turns >= 10
    assert said["words"].startswith(
        f"{tmp_path}/watchkeeper.db cannot be written because its file system is full: free some space"
    )
    assert said["all"] == said["again"] == [turns, turns]
    assert said["together"] == ["StoreFull"] * 3
    assert "file system is full" in said["opening"]
    assert said["after"] == turns + 1
    assert said["integrity"] == "ok"


async def test_a_turn_that_is_too_large_takes_no_smaller_one_with_it(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A unit of work that is too large fails alone.

    With a limit on the pages (SQLite's own way to simulate a full disk), those units of work waiting together that fit
    are stored, the one that does not is refused whole, and a store reopened without the limit accepts it.
    """

    def open_small(where: Path) -> sqlite3.Connection:
        conn = open_as_ever(where)
        conn.execute("PRAGMA max_page_count = 60").fetchone()
        return conn

    open_as_ever = database.open_writing
    monkeypatch.setattr(database, "open_writing", open_small)
    async with await Store.open(path) as store:
        turns = [transition(1), samples(20_000), transition(2)]
        outcomes = await asyncio.gather(*(store.commit(each) for each in turns), return_exceptions=True)
        assert [type(each) for each in outcomes] == [type(None), StoreFull, type(None)]
        assert asked(path, "SELECT count(*) FROM samples") == [(2,)]
        assert len(await store.events()) == len(await store.deliveries()) == 2
    monkeypatch.undo()
    async with await Store.open(path) as store:
        await store.commit(samples(20_000))
    assert asked(path, "PRAGMA integrity_check") == [("ok",)]
    assert asked(path, "SELECT count(*) FROM samples") == [(20_000,)]
