"""An old command name is refused with the command line to use instead, also in the shell of a cron job."""

import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from watchkeeper.cli import COMMANDS, main
from watchkeeper.cli.renamed import RENAMED


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("board", "status"),
        ("journal", "events"),
        ("survey", "discover"),
        ("once", "probe"),
        ("rehearse", "backtest"),
        ("room", "capacity"),
        ("ready", "preflight"),
        ("frees", "reclaim"),
        ("checkin", "ran"),
    ],
)
def test_an_old_name_is_refused_with_the_new_one(old: str, new: str) -> None:
    """Nothing runs: the exit code is that of wrong usage (sysexits.h: EX_USAGE)."""
    result = CliRunner().invoke(main, [old])
    assert (result.exit_code, result.stdout) == (64, "")
    assert result.stderr == f"watchkeeper {old} was renamed in 0.2.0: use watchkeeper {new}\n"


def test_every_new_name_is_a_command_and_no_old_one_is() -> None:
    """The table cannot send anyone to a command that is not there."""
    assert {each.to for each in RENAMED.values()} <= set(COMMANDS)
    assert RENAMED.keys().isdisjoint(COMMANDS)


def test_the_new_line_has_what_was_typed(tmp_path: Path) -> None:
    """It can be copied as it is: options and arguments are kept, and quoted where the shell needs it."""
    config = str(tmp_path / "hide hub.toml")
    result = CliRunner().invoke(main, ["--config", config, "journal", "--subject", "pool skerry", "-f"])
    line = result.stderr.partition(": use ")[2].strip()
    assert shlex.split(line) == ["watchkeeper", "--config", config, "events", "--subject", "pool skerry", "-f"]


def test_a_configuration_of_the_environment_is_not_repeated(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only what was typed is in the new line."""
    monkeypatch.setenv("WATCHKEEPER_CONFIG", "/nowhere/gannet.toml")
    assert CliRunner().invoke(main, ["board"]).stderr.endswith(": use watchkeeper status\n")


@pytest.mark.parametrize("typed", [["--said", "12 GiB"], ["--said=12 GiB"]])
def test_an_option_that_was_renamed_has_its_new_name(typed: list[str]) -> None:
    """The new line runs as it is."""
    line = CliRunner().invoke(main, ["checkin", "nightly", *typed]).stderr.partition(": use ")[2]
    assert " ".join(shlex.split(line)).replace("=", " ") == "watchkeeper ran nightly --message 12 GiB"


@pytest.mark.parametrize("old", RENAMED)
def test_the_shell_of_a_cron_job_gets_one_line(old: str) -> None:
    """It runs `/bin/sh -c` without a terminal and with hardly any environment, and mails what is printed."""
    command = f"{shlex.quote(sys.executable)} -m watchkeeper {old} nightly-backup --failed"
    done = subprocess.run(
        ["/bin/sh", "-c", command],
        env={"PATH": "/usr/bin:/bin", "SHELL": "/bin/sh", "LOGNAME": "gannet"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        cwd=Path(__file__).parents[2],
    )
    assert (done.returncode, done.stdout) == (64, "")
    expected = f"watchkeeper {RENAMED[old].to} nightly-backup --failed"
    assert done.stderr == f"watchkeeper {old} was renamed in 0.2.0: use {expected}\n"


def test_an_option_of_preflight_has_its_new_name() -> None:
    """The new line skips the same check."""
    line = CliRunner().invoke(main, ["ready", "tide-log", "--leave-out", "backup"]).stderr.partition(": use ")[2]
    assert shlex.split(line) == ["watchkeeper", "preflight", "tide-log", "--skip", "backup"]
