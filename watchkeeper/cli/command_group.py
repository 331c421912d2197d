"""The group of commands: imports a command when it is called, and turns errors into text and exit codes.

Not here: any command, and anything that is slow to import.
"""

import os
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from importlib import import_module
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click
from click.core import ParameterSource

from watchkeeper.cli.renamed import RENAMED, RenamedError
from watchkeeper.errors import ConfigError, WatchkeeperError

F = TypeVar("F", bound=Callable[..., Any])


class Exit(IntEnum):
    """What a command's exit code means; documented in the help."""

    FINE = 0
    NEEDS_YOU = 1
    WRONG_USE = 2
    CANNOT_RUN = 3
    INTERRUPTED = 130  # 128 + SIGINT, as in shells


@dataclass(frozen=True, slots=True)
class LazyCommand:
    """A command that is imported when it is called: its module in this package, and its line in the help."""

    module: str
    help: str

    def command(self) -> click.Command:
        """Import it. The command has the same name in its module."""
        found: click.Command = getattr(import_module(f"watchkeeper.cli.{self.module}"), self.module.rpartition(".")[2])
        return found


class Commands(click.Group):
    """A group that imports its commands on demand and prints errors as one plain text on stderr."""

    def __init__(self, *args: Any, commands_later: Mapping[str, LazyCommand], **more: Any) -> None:  # noqa: ANN401  click's signature
        super().__init__(*args, **more)
        self.commands_later = commands_later

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  click's signature
        """Every command, in the order of the table."""
        return list(self.commands_later)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002  click's signature
        """Import a command."""
        later = self.commands_later.get(cmd_name)
        return later.command() if later else None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that was typed. Raises RenamedError for an old name."""
        if args[0] in RENAMED:
            raise RenamedError(args[0], _typed(ctx), args[1:])
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002  click's signature
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, later.help) for name, later in self.commands_later.items()])

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401  click's signature
        """Run the command. A reader that closes the pipe (`| head`) is not a failure."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            _leave_quietly()
            return Exit.FINE

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,  # noqa: FBT001, FBT002  click's signature
        **extra: Any,  # noqa: ANN401  click's signature
    ) -> Any:  # noqa: ANN401  click's signature
        """Run a command and end the process with its exit code."""
        if not standalone_mode:
            return super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        code: int = Exit.FINE
        try:
            returned = super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
            code = returned if isinstance(returned, int) else Exit.FINE
        except click.ClickException as error:
            error.show()
            code = error.exit_code
        except (click.Abort, KeyboardInterrupt):
            code = Exit.INTERRUPTED
        except ConfigError as error:
            code = _failed(error, Exit.WRONG_USE)
        except WatchkeeperError as error:
            code = _failed(error, Exit.CANNOT_RUN)
        sys.exit(code)


def _typed(ctx: click.Context) -> list[str]:
    """The options that were typed before the command."""
    if ctx.get_parameter_source("config") is not ParameterSource.COMMANDLINE:
        return []
    return ["--config", str(ctx.params["config"])]


def _failed(error: WatchkeeperError, code: Exit) -> Exit:
    click.echo(f"watchkeeper: {error}", err=True)
    return code


def _leave_quietly() -> None:
    """Discard what is still in the buffer: otherwise Python reports the error again when it flushes at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def configured(command: F) -> F:
    """Accept --config after the command too; the command receives it as `config`."""

    def chosen(context: click.Context, _option: click.Parameter, value: Path | None) -> Path | None:
        return value or context.find_object(Path)

    return click.option(
        "--config", type=click.Path(path_type=Path), callback=chosen, hidden=True, help="As before the command."
    )(command)


def ended(code: Exit) -> NoReturn:
    """End a command with an exit code."""
    click.get_current_context().exit(code)
