"""`run` as a real process: it says where the page is, ends as asked, and starts nothing with a wrong configuration."""

import signal
import socket
import sqlite3
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from watchkeeper.store import schema
from watchkeeper.web.auth import passwords

RUN = [sys.executable, "-m", "watchkeeper"]


def start(config: Path, *args: str) -> subprocess.Popen[str]:
    """Start the daemon."""
    command = [*RUN, "--config", str(config), "run", *args]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@pytest.fixture
def daemon(config: Path) -> Iterator[subprocess.Popen[str]]:
    """A daemon on the test's own database."""
    process = start(config)
    yield process
    process.kill()
    process.communicate(timeout=30)


def page_of(process: subprocess.Popen[str]) -> tuple[str, str]:
    """The two lines that a daemon prints when all runs."""
    assert process.stdout is not None
    return process.stdout.readline(), process.stdout.readline()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_prints_the_pages_address_and_ends_as_asked(daemon: subprocess.Popen[str], number: signal.Signals) -> None:
    """Two lines at the start, exit code 0 at the end, and no traceback between."""
    first, second = page_of(daemon)
    assert first == "monitoring gannet: 10 probes, 0 notifiers\n"
    assert second.startswith("page: http://127.0.0.1:")
    with urllib.request.urlopen(second.removeprefix("page: ").strip(), timeout=60) as answer:
        assert answer.status == 200
    daemon.send_signal(number)
    out, err = daemon.communicate(timeout=30)
    assert (daemon.returncode, out) == (0, "")
    assert "Traceback" not in err


def test_a_second_one_on_the_same_database_cannot_run(daemon: subprocess.Popen[str], config: Path) -> None:
    """Exit code 69, one plain line, and the first goes on."""
    page_of(daemon)
    second = start(config)
    out, err = second.communicate(timeout=30)
    assert (second.returncode, out) == (69, "")
    assert err.startswith("watchkeeper: ")
    assert "Traceback" not in err
    assert daemon.poll() is None


def test_a_secret_that_is_not_there_yet_can_be_tried_again(config: Path) -> None:
    """Exit code 66, with which the unit starts the daemon again: a file may be on a disk that is mounted late."""
    secret = config.with_name("secret")
    wanted = f'[[probe]]\nkind = "job"\nname = "nightly"\nwithin = "1d"\ntoken = {{ file = "{secret}" }}\n'
    config.write_text(config.read_text() + wanted)
    process = start(config)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (66, "")
    assert f"the secret in {secret} cannot be read: No such file or directory" in err
    unit = (Path(__file__).parents[3] / "deploy/systemd/watchkeeper.service").read_text()
    assert "Restart=on-failure\n" in unit
    assert "\nRestartPreventExitStatus=64 78\n" in unit
    config.write_text(config.read_text() + '[[probe]]\nkind = "htpp"\n')
    wrong = start(config)
    wrong.communicate(timeout=60)
    assert wrong.returncode == 78  # what nobody but the operator can repair


def test_a_wrong_configuration_starts_nothing(config: Path) -> None:
    """Exit code 78, every problem on stderr, and no database has been made."""
    config.write_text(config.read_text() + '[[probe]]\nkind = "htpp"\n[[notifier]]\nkind = "mail"\n')
    process = start(config)
    out, err = process.communicate(timeout=30)
    assert (process.returncode, out) == (78, "")
    assert [line.split(": ")[1].split(" ")[0] for line in err.splitlines()[1:]] == [
        "probe[1].kind",
        "notifier[1].server",
        "notifier[1].from",
        "notifier[1].to",
    ]
    assert not config.with_name("watchkeeper.db").exists()


def test_warnings_are_told_and_it_runs_all_the_same(config: Path, tmp_path: Path) -> None:
    """A secret that everybody can read is a line on stderr."""
    token = tmp_path / "token"
    token.write_text("https://127.0.0.1:9/")
    token.chmod(0o644)
    url = f'[[notifier]]\nkind = "webhook"\nurl = {{ file = "{token}" }}\n'
    config.write_text(config.read_text() + url)
    process = start(config, "--verbose")
    assert page_of(process)[0].endswith("10 probes, 1 notifier\n")
    process.terminate()
    _, err = process.communicate(timeout=30)
    assert process.returncode == 0
    assert f"watchkeeper: notifier[1].url: every user of this host can read {token}" in err


def told_at_start(config: Path, code: int = 69) -> str:
    """The one line of a daemon that cannot run here."""
    process = start(config)
    out, err = process.communicate(timeout=30)
    assert (process.returncode, out) == (code, "")
    assert "Traceback" not in err
    return [line for line in err.splitlines() if line.startswith("watchkeeper: ")][-1]


def test_a_port_that_is_taken_is_named_with_the_remedy(config: Path) -> None:
    """The port, and that another one, or 0, can be set."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        config.write_text(config.read_text().replace("port = 0", f"port = {port}"))
        told = told_at_start(config)
    assert f"port {port} on 127.0.0.1 is taken; end what holds it, or set page.port to another one" in told


def test_an_address_of_another_machine_is_named_with_the_remedy(config: Path) -> None:
    """An address of TEST-NET-1 (RFC 5737) is nobody's."""
    hashed = config.with_name("hash")
    hashed.write_text(f"{passwords.make('ringing tide')}\n")
    hashed.chmod(0o600)
    more = f'listen = "192.0.2.1"\npassword = {{ file = "{hashed}" }}\n'
    config.write_text(config.read_text() + more)
    assert "this machine has no address 192.0.2.1; set page.listen to 127.0.0.1" in told_at_start(config)


def test_a_place_that_is_no_folder_is_named_with_the_remedy(config: Path) -> None:
    """Where the database's folder cannot be made, the path and the reason are told."""
    config.write_text(config.read_text().replace("watchkeeper.db", f"{config.name}/watchkeeper.db"))
    told = told_at_start(config)
    assert f"{config}/watchkeeper.db cannot be opened for writing" in told
    assert "name another place for the database" in told


def test_a_database_of_a_later_version_is_left_alone(config: Path) -> None:
    """It is named with both versions and what to do, and not touched."""
    database = config.with_name("watchkeeper.db")
    with sqlite3.connect(database) as conn:
        conn.execute("CREATE TABLE tides (height REAL)")
        conn.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        conn.execute("PRAGMA user_version = 999")
    conn.close()
    before = database.read_bytes()
    told = told_at_start(config, 65)
    assert "has format 999 of a later version of watchkeeper" in told
    assert "install that version again, or restore a backup made before it" in told
    assert database.read_bytes() == before
