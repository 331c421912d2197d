"""What the tests of the commands stand on: a runner, a quiet environment, a real database with the demo in it."""

import asyncio
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from click.testing import CliRunner, Result

from tests.support.readstore import NOW, ReadStoreDouble
from watchkeeper.cli import main
from watchkeeper.clock import Clock
from watchkeeper.config import paths
from watchkeeper.model.records import Commit
from watchkeeper.store import Store

Run = Callable[..., Result]


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """A folder with a short name: output is wrapped at 80 columns, and a long path would be broken in two."""
    with TemporaryDirectory(prefix="wk") as folder:
        yield Path(folder)


@pytest.fixture(autouse=True)
def quiet_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A home of the test's own, 80 columns, no variable that watchkeeper reads, and the demo's moment."""
    for name in [*os.environ]:
        if name.startswith(("WATCHKEEPER_", "XDG_")) or name in ("STATE_DIRECTORY", "CREDENTIALS_DIRECTORY", "COLUMNS"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("TZ", "UTC")
    monkeypatch.setattr(paths, "SYSTEM_CONFIG", tmp_path / "none.toml")
    monkeypatch.setattr(Clock, "now", lambda _clock: NOW)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A configuration whose database is the test's own."""
    path = tmp_path / "gannet.toml"
    path.write_text(f'[host]\nname = "gannet"\n[store]\npath = "{tmp_path / "watchkeeper.db"}"\n[page]\nport = 0\n')
    return path


@pytest.fixture
def run(config: Path) -> Run:
    """Run a command in this process, with the test's own configuration."""

    def run(*args: str) -> Result:
        result = CliRunner().invoke(main, ["--config", str(config), *args], prog_name="watchkeeper")
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
        return result

    return run


def fill(path: Path, double: ReadStoreDouble, more: Sequence[Commit] = ()) -> None:
    """Put what a double holds into a real database."""

    async def write() -> None:
        async with await Store.open(path) as store:
            whole = Commit(tuple(double.seen), tuple(double.found), tuple(double.raised), tuple(double.lines))
            for commit in (whole, *more):
                await store.commit(commit)

    asyncio.run(write())
