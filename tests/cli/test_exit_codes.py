"""The exit codes are those of sysexits.h, documented, and follow from what went wrong."""

import errno
import os
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from watchkeeper import errors
from watchkeeper.cli import main
from watchkeeper.cli.exit_codes import MEANING, Exit, code_of

SYSEXITS = {
    Exit.OK: os.EX_OK,
    Exit.USAGE: os.EX_USAGE,
    Exit.DATA: os.EX_DATAERR,
    Exit.NO_INPUT: os.EX_NOINPUT,
    Exit.UNAVAILABLE: os.EX_UNAVAILABLE,
    Exit.SOFTWARE: os.EX_SOFTWARE,
    Exit.CANNOT_CREATE: os.EX_CANTCREAT,
    Exit.IO_ERROR: os.EX_IOERR,
    Exit.NO_PERMISSION: os.EX_NOPERM,
    Exit.CONFIG: os.EX_CONFIG,
}


def test_the_codes_are_those_of_sysexits() -> None:
    """Python takes its constants from the system's sysexits.h."""
    assert {code: int(code) for code in SYSEXITS} == SYSEXITS
    assert set(Exit) - SYSEXITS.keys() == {Exit.NEEDS_YOU, Exit.INTERRUPTED}


def test_each_code_is_in_the_help_and_in_the_manual() -> None:
    """With the same words, which come from one table."""
    assert MEANING.keys() == set(Exit)
    printed = " ".join(CliRunner().invoke(main, ["--help"]).stdout.split())
    manual = Path("watchkeeper/manual/commands.md").read_text()
    for code, words in MEANING.items():
        assert f"{code} {words}" in printed
        assert f"| {code} | {words} |" in manual


def test_no_script_of_the_deployment_ends_with_another_code() -> None:
    """A script ends with a code of the table, or by way of fail, whose first word is one."""
    codes = {int(code) for code in Exit}
    for name in ("install", "remove", "package", "environment", "files"):
        text = Path("deploy", name).read_text()
        assert {int(code) for code in re.findall(r"\bexit (\d+)", text)} <= {0}
        failed = re.findall(r'\bfail (\S*) ?"', text)
        assert failed
        assert {int(code) for code in failed} <= codes, name


def behind(cause: OSError) -> errors.WatchkeeperError:
    """An error of ours that was raised because of one of the system."""
    try:
        try:
            raise cause
        except OSError:
            raise errors.StartError("no") from None
    except errors.StartError as error:
        return error


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (errors.ConfigError("x.toml", []), Exit.CONFIG),
        (errors.InputMissing("no"), Exit.NO_INPUT),
        (errors.InputError("no"), Exit.DATA),
        (errors.OutputError("no"), Exit.CANNOT_CREATE),
        (errors.AccessDenied("no"), Exit.NO_PERMISSION),
        (errors.StoreMissing("no"), Exit.NO_INPUT),
        (errors.StoreDamaged("no"), Exit.DATA),
        (errors.StoreTooNew("no"), Exit.DATA),
        (errors.StoreFull("no"), Exit.IO_ERROR),
        (errors.StoreError("no"), Exit.UNAVAILABLE),
        (errors.StartError("no"), Exit.UNAVAILABLE),
        (behind(PermissionError(errno.EACCES, "Permission denied")), Exit.NO_PERMISSION),
        (behind(OSError(errno.EIO, "Input/output error")), Exit.IO_ERROR),
        (behind(OSError(errno.EADDRINUSE, "Address already in use")), Exit.UNAVAILABLE),
    ],
)
def test_the_code_follows_from_the_error(error: errors.WatchkeeperError, code: Exit) -> None:
    """Its class decides; where that says nothing, the system's error behind it does."""
    assert code_of(error) is code
