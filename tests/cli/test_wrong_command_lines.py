"""Wrong command lines, and output that cannot be written: a documented exit code and a reason, never a traceback."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.cli.conftest import Run, fill
from tests.support.readstore import filling
from watchkeeper.cli import COMMANDS, main
from watchkeeper.cli.exit_codes import Exit

BYTES = os.fsdecode(b"\xff\xfe")
"""A name that is not UTF-8, as Python has it in sys.argv."""

USAGE = [
    *[(command, "--nonsense") for command in COMMANDS],
    *[(command, BYTES, "--nonsense") for command in COMMANDS],
    *[(each, "a", "b", "c", "d") for each in COMMANDS if each not in ("archive-init", "reclaim", "test-notifiers")],
    ("statu",), ("",), (BYTES,), ("--confg", "x", "status"), ("--config",), (f"--{BYTES}",),
    ("board",), ("checkin", "x"),
    ("events", "--since", "soon"), ("events", "--since", BYTES), ("events", "--limit", "0"), ("events", "--limit", "x"),
    ("events", "--entry", "party"), ("events", "--since"),
    ("backtest",), ("backtest", "x.csv", "--every", "0s"), ("backtest", "x.csv", "--every", "soon"), ("backtest", "/"),
    ("backtest", "x.csv", "--picture", "/"), ("backtest", "--subject", BYTES), ("backtest", "--subject", "pool skery"),
    ("capacity",), ("capacity", "--disk", "0GiB"), ("capacity", "--disk", "much"), ("capacity", "--disk", BYTES),
    ("capacity", "--cpus", "two"), ("capacity", "--cpus", "0"), ("capacity", "--cpus", "9" * 400),
    ("capacity", "--disk", "+16GiB"), ("capacity", "--enlarge", "hide-hub", "--disk", "48GiB"),
    ("capacity", "--disk", "1GiB", "--store", BYTES), ("capacity", "--grows", "1GiB"),
    ("capacity", "--disk", "9" * 400 + "GiB"),
    ("preflight",), ("preflight", "tode"), ("preflight", BYTES), ("preflight", "hide-hub", "--keep", "soon"),
    ("preflight", "hide-hub", "--skip", "luck"), ("preflight", "hide-hub", "--since", "2026-11-25"),
    ("preflight", "hide-hub", "--after", "--since", "someday"),
    ("preflight", "hide-hub", "--after", "--since", "2099-01-01"),
    ("reclaim", "nothing@here"), ("reclaim", BYTES), ("reclaim", "--thin-out"), ("reclaim", "--older-than", "0d"),
    ("reclaim", "--store", "pool jetty"), ("reclaim", "--gain", BYTES),
    ("backup",), ("restore",), ("ran",), ("ran", "nobody"), ("ran", BYTES), ("ran", "x", "--message", BYTES),
    ("restored",), ("restored", "x"),
    ("discover", "--diff", "--write", "x.toml"), ("test-notifiers",), ("test-notifiers", BYTES),
    ("password", "--output", "/"), ("demo", "--port", "65536"), ("demo", "--port", BYTES), ("demo", "--day", "0"),
    ("backup", BYTES), ("archive-init", BYTES), ("archive-init", ""), ("archive-init", "x" * 101),
]  # fmt: skip
"""What cannot be meant, or names what is not there."""

OTHERS = [
    (Exit.NO_INPUT, ("backtest", "{folder}/none.csv")),
    (Exit.NO_INPUT, ("restore", "{folder}/none.db")),
    (Exit.NO_INPUT, ("restore", f"{{folder}}/{BYTES}")),
    (Exit.NO_INPUT, ("restore", "/dev/zero")),
    (Exit.DATA, ("restore", "{folder}/gannet.toml")),
    (Exit.DATA, ("backtest", "{folder}/gannet.toml")),
    (Exit.CANNOT_CREATE, ("backup", "{folder}")),
    (Exit.CANNOT_CREATE, ("backup", "{folder}/none/copy.db")),
    (Exit.CANNOT_CREATE, ("backup", "{folder}/gannet.toml")),
    (Exit.CANNOT_CREATE, ("backup", "--force", "{folder}/watchkeeper.db")),
    (Exit.CANNOT_CREATE, ("backup", "--force", "{folder}/pipe")),
    (Exit.CANNOT_CREATE, ("password", "--output", "{folder}/pipe")),
    (Exit.CANNOT_CREATE, ("password", "--output", "{folder}/none/hash")),
    (Exit.CANNOT_CREATE, ("discover", "--no-requests", "--write", "{folder}/gannet.toml")),
    (Exit.CANNOT_CREATE, ("discover", "--no-requests", "--write", "{folder}/none/x.toml")),
    (Exit.CONFIG, ("status", "--config", "{folder}/none.toml")),
    (Exit.CONFIG, ("status", "--config", BYTES)),
    (Exit.CONFIG, ("check-config", "--config", "{folder}")),
    (Exit.CONFIG, ("check-config", "--config", "{folder}/pipe")),
    (Exit.USAGE, ("backup", "{folder}/" + "x" * 5_000)),
    (Exit.USAGE, ("restore", "{folder}/" + "x" * 5_000)),
    (Exit.NO_INPUT, ("backtest", "{folder}/" + "x" * 5_000)),
    (Exit.CONFIG, ("status", "--config", "x" * 5_000)),
]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database, written once: that takes a third of a second of processor time."""
    database = tmp_path_factory.mktemp("filled") / "watchkeeper.db"
    fill(database, filling())
    return database


@pytest.fixture
def station(config: Path, filled: Path) -> Path:
    """The folder of a configuration with a database, and with a pipe in it."""
    shutil.copyfile(filled, config.with_name("watchkeeper.db"))
    os.mkfifo(config.with_name("pipe"))
    return config.parent


@pytest.mark.parametrize("words", USAGE, ids=ascii)
@pytest.mark.usefixtures("station")
def test_what_cannot_be_meant_is_wrong_usage(run: Run, words: tuple[str, ...]) -> None:
    """Exit code 64, a reason on stderr, and nothing on stdout, where a script reads."""
    result = run(*words)
    assert (result.exit_code, result.stdout) == (Exit.USAGE, "")
    assert result.stderr.strip()
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize(("code", "words"), OTHERS, ids=ascii)
def test_files_that_cannot_be_used(station: Path, code: Exit, words: tuple[str, ...]) -> None:
    """The code says what kind of trouble it is. What is no file, such as a pipe or a device, is never replaced."""
    args = ["--config", str(station / "gannet.toml"), *(word.replace("{folder}", str(station)) for word in words)]
    result = CliRunner().invoke(main, args, input="ringing tide tables\n")
    assert (result.exit_code, result.stdout) == (code, "")
    assert "Traceback" not in result.stderr
    assert result.stderr.startswith("watchkeeper: ")
    assert (station / "pipe").is_fifo()


def shell(config: Path, words: str, redirected: str) -> subprocess.CompletedProcess[str]:
    """Run a command in a shell, with its output redirected."""
    command = f"'{sys.executable}' -m watchkeeper --config '{config}' {words} {redirected}"
    return subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False, timeout=120)


@pytest.mark.parametrize("words", ["--help", "status --help", "status", "status --json", "events", "check-config"])
def test_a_full_output_is_an_error_of_one_line(station: Path, words: str) -> None:
    """A script that loses the output must not take it for complete (full(4))."""
    done = shell(station / "gannet.toml", words, ">/dev/full")
    assert done.returncode == Exit.IO_ERROR
    assert done.stderr == "watchkeeper: standard output cannot be written: No space left on device\n"


@pytest.mark.parametrize(("words", "code"), [("--help", 0), ("status", 1), ("status --json", 1), ("events", 0)])
def test_a_closed_output_keeps_the_exit_code(station: Path, words: str, code: int) -> None:
    """Who closes stdout wants the exit code alone."""
    done = shell(station / "gannet.toml", words, ">&-")
    assert (done.returncode, done.stderr) == (code, "")


@pytest.mark.parametrize("redirected", ["2>/dev/full", "2>&-", ">&- 2>&-"])
def test_an_error_that_cannot_be_printed_keeps_its_exit_code(station: Path, redirected: str) -> None:
    """There is nowhere to say why, so the code has to."""
    assert shell(station / "gannet.toml", "statu", redirected).returncode == Exit.USAGE
    assert shell(station / "none.toml", "status", redirected).returncode == Exit.CONFIG


def test_without_an_input_there_is_no_password(station: Path) -> None:
    """A closed stdin is told as such."""
    done = shell(station / "gannet.toml", "password", "<&-")
    assert done.returncode == Exit.USAGE
    assert "standard input is closed" in done.stderr
