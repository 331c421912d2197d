"""`ran` leaves what the daemon takes in; what nobody would notice is refused."""

import asyncio
import os
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.support.daemon import Daemon
from tests.support.readstore import NOW
from watchkeeper.config import paths
from watchkeeper.model.probe_state import JobReport
from watchkeeper.store import Store
from watchkeeper.store.files.job_spool import read, spool_of

TOKEN = "a-token-of-the-job-0123456789"
PROBE = '[[probe]]\nkind = "job"\nname = "nightly-backup"\nwithin = "26h"\nevery = "1s"\n'


@pytest.fixture
def database(config: Path, tmp_path: Path) -> Path:
    """A configuration with a job, and its database."""
    config.write_text(config.read_text() + PROBE)
    path = tmp_path / "watchkeeper.db"
    path.touch()
    return path


def test_a_job_checks_in(run: Run, database: Path) -> None:
    """It is left for the daemon, with the moment and the words."""
    result = run("ran", "nightly-backup", "--message", "12 GiB\nin 40 min")
    assert result.exit_code == 0, result.output
    assert "reads it at the next run" in result.output
    (left,) = read(spool_of(database))
    assert left.report == JobReport("nightly-backup", NOW, message="12 GiB in 40 min")


def test_a_job_says_that_it_failed(run: Run, database: Path) -> None:
    """It counts as failed, and the output says so."""
    result = run("ran", "nightly-backup", "--failed")
    assert (result.exit_code, "nightly-backup failed" in result.output) == (0, True)
    assert [each.report.failed for each in read(spool_of(database))] == [True]


@pytest.mark.parametrize(
    ("job", "hint"), [("nightly-bakup", 'did you mean "nightly-backup"?'), ("x", "known: nightly-backup")]
)
def test_a_job_that_nobody_watches_is_refused(run: Run, database: Path, job: str, hint: str) -> None:
    """A misspelt name would else be a report that never counts."""
    result = run("ran", job)
    assert result.exit_code == 64
    assert hint in result.output
    assert not spool_of(database).exists()


@pytest.mark.usefixtures("config")
def test_without_any_job(run: Run) -> None:
    """That there is none yet is said."""
    assert "known: none yet" in run("ran", "x").output


def test_without_a_database(run: Run, database: Path) -> None:
    """Nobody would ever take it in."""
    database.unlink()
    result = run("ran", "nightly-backup")
    assert result.exit_code == 66
    assert f"there is no database at {database} yet" in result.output


def test_the_services_database_is_found(
    run: Run, config: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A job that runs as root has no database of its own; the service's is meant."""
    config.write_text(PROBE)
    service = tmp_path / "service.db"
    service.touch()
    monkeypatch.setattr(paths, "SYSTEM_STATE", service)
    assert run("ran", "nightly-backup").exit_code == 0
    assert len(read(spool_of(service))) == 1


def test_a_database_that_may_not_be_seen(run: Run, database: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The remedy is named."""
    real = Path.exists

    def hidden(path: Path) -> bool:
        if path == database:
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(Path, "exists", hidden)
    result = run("ran", "nightly-backup")
    assert result.exit_code == 77
    assert "run this as root or as the user that runs watchkeeper" in result.output


def test_a_folder_that_may_not_be_written(run: Run, database: Path) -> None:
    """The remedy is named there too."""
    spool_of(database).touch()
    result = run("ran", "nightly-backup")
    assert result.exit_code == 69
    assert "the report cannot be written to" in result.output


def post(address: str, token: str) -> int:
    """Report over HTTP, as failed; the status of the answer."""
    headers = {"Authorization": f"Bearer {token}"}
    request = urllib.request.Request(f"{address}jobs/nightly-backup/ran", b"failed=1", headers)
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        error.close()
        return error.code


def test_a_running_daemon_takes_it_in(config: Path, tmp_path: Path) -> None:
    """While it holds the database, another process's report ends in it, and so does one over HTTP with its token."""
    secret = tmp_path / "token"
    secret.write_text(TOKEN)
    secret.chmod(0o600)
    environment = {**os.environ, "HOME": str(tmp_path)}
    config.write_text(f'watch_host = false\n{config.read_text()}{PROBE}token = {{ file = "{secret}" }}\n')
    folder = spool_of(tmp_path / "watchkeeper.db")
    with Daemon.start(config) as daemon:
        words = [sys.executable, "-m", "watchkeeper", "--config", str(config), "ran", "nightly-backup"]
        done = subprocess.run(words, env=environment, capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, done.stderr
        assert (post(daemon.address, "wrong"), post(daemon.address, TOKEN)) == (401, 204)
        for _ in range(200):
            if folder.is_dir() and not [*folder.iterdir()]:
                break
            time.sleep(0.1)
        assert not [*folder.iterdir()]
        assert daemon.stop() == 0
    assert asyncio.run(kept(tmp_path / "watchkeeper.db")) == (True, True)


async def kept(database: Path) -> tuple[bool, bool]:
    """Whether the database holds a successful run of the job, and a failed one."""
    async with await Store.open(database, read_only=True) as store:
        last = await store.job_reports.last("nightly-backup")
    return last.good is not None, last.failed is not None
