"""`watchkeeper password` makes a hash that the page takes, and shows the password nowhere."""

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.support.processes import started
from watchkeeper.cli import main
from watchkeeper.web.auth import passwords

PASSWORD = "the hides are heated"


def test_from_a_pipe() -> None:
    """One line of stdin becomes a hash on stdout that matches it, and nothing else is printed."""
    result = CliRunner().invoke(main, ["password"], input=f"{PASSWORD}\n")
    assert (result.exit_code, result.stderr) == (0, "")
    assert passwords.parse(result.stdout).matches(PASSWORD)


def test_to_a_file(tmp_path: Path) -> None:
    """The file is this user's alone, also where an open one was there before."""
    place = tmp_path / "page-password"
    place.write_text("old")
    place.chmod(0o644)
    result = CliRunner().invoke(main, ["password", "--output", str(place)], input=f"{PASSWORD}\n")
    assert (result.exit_code, result.stdout) == (0, "")
    assert f'password = {{ file = "{place}" }}' in result.stderr
    assert place.stat().st_mode & 0o777 == 0o600
    assert passwords.parse(place.read_text()).matches(PASSWORD)
    assert [p.name for p in tmp_path.iterdir()] == ["page-password"]


def test_a_short_one_is_refused() -> None:
    """Too short is wrong use, told without the password."""
    result = CliRunner().invoke(main, ["password"], input="gull\n")
    assert (result.exit_code, result.stdout) == (64, "")
    assert "it has 4 characters; use 12 to" in result.stderr
    assert "gull" not in result.stderr


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    """The file is named with the remedy."""
    result = CliRunner().invoke(main, ["password", "--output", str(tmp_path / "no" / "x")], input=f"{PASSWORD}\n")
    assert result.exit_code == 73
    assert "cannot be written: No such file or directory; name a file in a folder" in result.stderr


def test_at_a_terminal() -> None:
    """At a terminal it is asked for twice and not shown; the questions go to stderr, so that > FILE holds the hash."""
    ours, theirs = pty.openpty()
    with started(
        [sys.executable, "-m", "watchkeeper", "password"], stdin=theirs, stdout=subprocess.PIPE, stderr=theirs
    ) as process:
        os.close(theirs)
        told = b""
        for question in (b"Password: ", b"Password again: "):
            while not told.endswith(question):
                told += os.read(ours, 1_000)
            os.write(ours, f"{PASSWORD}\n".encode())
        assert process.stdout is not None
        made = process.stdout.read().decode()
    os.close(ours)
    assert PASSWORD.encode() not in told
    assert passwords.parse(made).matches(PASSWORD)


@pytest.mark.parametrize("umask", [0o000, 0o077])
def test_whatever_the_umask(tmp_path: Path, umask: int) -> None:
    """The file's mode does not hang on the caller's umask."""
    before = os.umask(umask)
    try:
        CliRunner().invoke(main, ["password", "--output", str(tmp_path / "x")], input=f"{PASSWORD}\n")
    finally:
        os.umask(before)
    assert (tmp_path / "x").stat().st_mode & 0o777 == 0o600
