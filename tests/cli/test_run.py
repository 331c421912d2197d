"""`run` as a real process: it says where the page is, ends as asked, and starts nothing with a wrong configuration."""

import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

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
    process.communicate()


def page_of(process: subprocess.Popen[str]) -> tuple[str, str]:
    """The two lines that a daemon prints when all runs."""
    assert process.stdout is not None
    return process.stdout.readline(), process.stdout.readline()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_prints_the_pages_address_and_ends_as_asked(daemon: subprocess.Popen[str], number: signal.Signals) -> None:
    """Two lines at the start, exit code 0 at the end, and no traceback between."""
    first, second = page_of(daemon)
    assert first == "watchkeeper is on watch over gannet: 3 probes, 0 notifiers\n"
    assert second.startswith("page: http://127.0.0.1:")
    with urllib.request.urlopen(second.removeprefix("page: ").strip(), timeout=20) as answer:
        assert answer.status == 200
    daemon.send_signal(number)
    out, err = daemon.communicate(timeout=30)
    assert (daemon.returncode, out) == (0, "")
    assert "Traceback" not in err


def test_a_second_one_on_the_same_database_cannot_run(daemon: subprocess.Popen[str], config: Path) -> None:
    """Exit code 3, one plain line, and the first goes on."""
    page_of(daemon)
    second = start(config)
    out, err = second.communicate(timeout=30)
    assert (second.returncode, out) == (3, "")
    assert err.startswith("watchkeeper: ")
    assert "Traceback" not in err
    assert daemon.poll() is None


def test_a_wrong_configuration_starts_nothing(config: Path) -> None:
    """Exit code 2, every problem on stderr, and no database has been made."""
    config.write_text(config.read_text() + '[[probe]]\nkind = "htpp"\n[[notifier]]\nkind = "mail"\n')
    process = start(config)
    out, err = process.communicate(timeout=30)
    assert (process.returncode, out) == (2, "")
    assert [line.split(" ")[2] for line in err.splitlines()[1:]] == [
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
    assert page_of(process)[0].endswith("3 probes, 1 notifier\n")
    process.terminate()
    _, err = process.communicate(timeout=30)
    assert process.returncode == 0
    assert f"watchkeeper: notifier[1].url: everybody on this host can read {token}" in err
