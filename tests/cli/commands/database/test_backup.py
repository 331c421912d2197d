"""`backup` copies the database while the daemon runs, `restore` puts a copy back."""

import asyncio
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.store.damage import make
from tests.store.material import asked, transition
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.store import Store


@pytest.fixture
def database(config: Path) -> Path:
    """A database with something in it."""
    path = config.with_name("watchkeeper.db")
    make(path)
    return path


def _add(path: Path) -> None:
    async def write() -> None:
        async with await Store.open(path) as store:
            await store.commit(transition(99))

    asyncio.run(write())


def test_a_copy_and_back(run: Run, database: Path, tmp_path: Path) -> None:
    """What is copied, written on and put back is as it was copied; each command says what it did."""
    copy = tmp_path / "copy.db"
    result = run("backup", str(copy))
    assert result.exit_code == Exit.OK
    assert result.stdout.startswith(f"copied {database} to {copy} (")
    before = asked(database, "SELECT count(*) FROM events")
    _add(database)
    result = run("restore", str(copy))
    assert result.exit_code == Exit.OK
    first, second = result.stdout.splitlines()
    assert first == f"restored {database} from {copy}"
    assert second.startswith(f"the previous database is now {database}.replaced-")
    assert asked(database, "SELECT count(*) FROM events") == before


def test_a_file_that_is_there_is_not_replaced(run: Run, database: Path, tmp_path: Path) -> None:
    """Without --force it is named and left alone."""
    copy = tmp_path / "copy.db"
    copy.write_text("x")
    result = run("backup", str(copy))
    assert result.exit_code == Exit.CANNOT_CREATE
    assert f"{copy} exists: name another file" in result.stderr
    assert copy.read_text() == "x"
    assert run("backup", "--force", str(copy)).exit_code == Exit.OK
    assert database.exists()


def test_root_works_on_the_services_database(
    run: Run, config: Path, database: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a path configured, and with no database of this user's own, it is the service's that is used."""
    config.write_text('[host]\nname = "gannet"\n')
    monkeypatch.setattr("watchkeeper.cli.database.SYSTEM_STATE", database)
    copy = tmp_path / "copy.db"
    assert run("backup", str(copy)).stdout.startswith(f"copied {database} to {copy} (")
    assert "gannet, " in run("status").stdout
    assert run("restore", str(copy)).stdout.startswith(f"restored {database} from {copy}\n")
    own = tmp_path / ".local" / "state" / "watchkeeper" / "watchkeeper.db"
    assert not own.exists()
    own.parent.mkdir(parents=True)
    make(own)
    assert run("backup", "--force", str(copy)).stdout.startswith(f"copied {own} to {copy} (")


def test_without_a_database(run: Run, tmp_path: Path) -> None:
    """Where there is none yet, the command says where it looked; restoring makes one."""
    result = run("backup", str(tmp_path / "copy.db"))
    assert result.exit_code == Exit.NO_INPUT
    assert "there is no database at" in result.stderr
    make(tmp_path / "other.db")
    result = run("restore", str(tmp_path / "other.db"))
    assert result.exit_code == Exit.OK
    assert result.stdout == f"restored {tmp_path / 'watchkeeper.db'} from {tmp_path / 'other.db'}\n"


def test_a_file_of_no_use(run: Run, database: Path, tmp_path: Path) -> None:
    """What is no backup is refused with the reason, and the database is as it was."""
    letter = tmp_path / "letter"
    letter.write_text("about the hides " * 100)
    before = database.read_bytes()
    result = run("restore", str(letter))
    assert result.exit_code == Exit.DATA
    assert f"{letter} is not a database of watchkeeper" in result.stderr
    assert database.read_bytes() == before


@pytest.mark.parametrize("command", ["backup", "restore"])
def test_a_file_must_be_named(run: Run, command: str) -> None:
    """There is no default place: where a copy is safe only the operator knows."""
    result = run(command)
    assert result.exit_code == Exit.USAGE
    assert "FILE" in result.stderr
