"""Every command ends with a documented code and a plain text, and none costs more to start than it needs."""

import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import watchkeeper
from tests.cli.conftest import Run
from watchkeeper.cli import COMMANDS, main
from watchkeeper.cli.command_group import LazyCommand
from watchkeeper.errors import ConfigError, ProbeError, Problem, StartError, StoreDamaged, WatchkeeperError

HEAVY = {"aiohttp", "pydantic", "numpy", "rich", "apscheduler", "sqlite3", "jinja2", "asyncio"}


def failing(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    """Let `status` fail with an error."""

    @click.command()
    def status() -> None:
        raise error

    monkeypatch.setattr(LazyCommand, "command", lambda _later: status)


@pytest.mark.parametrize(
    ("error", "code", "told"),
    [
        (ConfigError("x.toml", [Problem("a", "b")]), 78, "watchkeeper: x.toml cannot be used:\n  a: b\n"),
        (StartError("port 8417 is taken"), 69, "watchkeeper: port 8417 is taken\n"),
        (StoreDamaged("x.db is no database"), 65, "watchkeeper: x.db is no database\n"),
        (ProbeError("no"), 69, "watchkeeper: no\n"),
        (WatchkeeperError("no"), 69, "watchkeeper: no\n"),
        (click.ClickException("not so"), 64, "Error: not so\n"),
        (KeyboardInterrupt(), 130, ""),
        (click.Abort(), 130, ""),
    ],
)
def test_an_error_is_one_plain_text_and_a_code(
    monkeypatch: pytest.MonkeyPatch, error: BaseException, code: int, told: str
) -> None:
    """No traceback for what is raised on purpose; nothing on stdout, where a script reads."""
    failing(monkeypatch, error)
    result = CliRunner().invoke(main, ["status"])
    assert (result.exit_code, result.stdout) == (code, "")
    assert result.stderr.strip("\n") == told.strip("\n")


def test_what_was_not_foreseen_keeps_its_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    """A defect of ours is not dressed up as a message, and does not end with 1, which would say "needs you"."""
    failing(monkeypatch, ZeroDivisionError())
    result = CliRunner().invoke(main, ["status"])
    assert (result.exit_code, result.stdout) == (70, "")
    assert result.stderr.startswith("Traceback ")
    assert result.stderr.endswith("ZeroDivisionError\n")


def test_a_caller_in_python_gets_the_error_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """standalone_mode=False is click's own way of calling a command from code."""
    failing(monkeypatch, StartError("no"))
    with pytest.raises(StartError):
        main(["status"], standalone_mode=False)


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (["ack"], "there is no command ack; did you mean acknowledge?"),
        (["statu"], "there is no command statu; did you mean status?"),
        (["status", "extra"], "Got unexpected extra argument (extra)"),
        (["--confg", "x"], "No such option '--confg'"),
        (["run", "--port", "1"], "No such option '--port'"),
        (["--config"], "Option '--config' requires an argument"),
    ],
)
def test_wrong_usage_is_exit_code_64(args: list[str], told: str) -> None:
    """What cannot be meant starts nothing."""
    result = CliRunner().invoke(main, args)
    assert (result.exit_code, result.stdout) == (64, "")
    assert told in result.stderr


def test_without_a_command_the_help_is_shown() -> None:
    """`watchkeeper` alone says what there is, and that something is missing."""
    result = CliRunner().invoke(main, [])
    assert result.exit_code == 64
    for name, later in COMMANDS.items():
        assert name in result.stderr
        assert " ".join(later.help.split()) in " ".join(result.stderr.split())


def test_the_version_is_said() -> None:
    """One line that a report of a defect can quote."""
    assert CliRunner().invoke(main, ["--version"]).stdout == f"watchkeeper {watchkeeper.__version__}\n"


def test_the_help_of_the_group_agrees_with_the_commands() -> None:
    """The group's lines stand apart from the commands, so that these need not be imported; they say the same."""
    for name, later in COMMANDS.items():
        command = later.command()
        assert command.name == name
        assert command.get_short_help_str(200).rstrip(".")


def imported(*args: str) -> set[str]:
    """The packages that a run of Python imports."""
    command = [sys.executable, "-X", "importtime", *args]
    result = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    return {line.rpartition("|")[2].strip().partition(".")[0] for line in result.stderr.splitlines()}


@pytest.mark.parametrize("args", [["--help"], ["--version"]])
def test_the_help_imports_nothing_heavy(args: list[str]) -> None:
    """`watchkeeper --help` does not wait for the daemon's packages; what Python itself brings here does not count."""
    found = imported("-m", "watchkeeper", *args) - imported("-c", "pass")
    assert found & HEAVY == set()
    assert "click" in found


def test_config_may_stand_before_or_after_the_command(run: Run, config: Path, tmp_path: Path) -> None:
    """The one after the command is nearer, so it counts."""
    assert f"{config} can be used." in run("check-config").stdout
    other = tmp_path / "other.toml"
    other.touch()
    assert f"{other} can be used." in run("check-config", "--config", str(other)).stdout


def test_config_may_come_from_the_environment(config: Path) -> None:
    """$WATCHKEEPER_CONFIG is the option's, and no key of the document."""
    result = CliRunner(env={"WATCHKEEPER_CONFIG": str(config)}).invoke(main, ["check-config"])
    assert f"{config} can be used." in result.stdout


def test_the_examples_in_the_help_are_commands_that_there_are() -> None:
    """Every example begins with a command and uses options that it has."""
    for later in COMMANDS.values():
        command = later.command()
        for example in re.findall(r"^ *(watchkeeper .+)$", command.help or "", re.MULTILINE):
            words = example.partition(" | ")[0].split()
            name = next(word for word in words if word in COMMANDS)
            known = {option for each in [*COMMANDS[name].command().params, *main.params] for option in each.opts}
            assert {word for word in words if word.startswith("-")} <= known | {"--help"}


def test_the_shell_can_complete_the_commands() -> None:
    """Click's completion asks the group for its commands, and imports none for it."""
    assert main.list_commands(click.Context(main)) == list(COMMANDS)
