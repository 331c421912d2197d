"""The group of commands: imports a command when it is called, and turns errors into text and exit codes.

Not here: any command, and anything that is slow to import.
"""

import errno
import gc
import io
import os
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click
from click.core import ParameterSource

from watchkeeper.cli.exit_codes import Exit, code_of
from watchkeeper.cli.renamed import RENAMED, RenamedError
from watchkeeper.errors import WatchkeeperError

LONGEST_SHOWN = 60
"""Characters of a mistyped command that are repeated."""

F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class LazyCommand:
    """A command that is imported when it is called: its module in this package, and its line in the help."""

    module: str
    help: str

    def command(self) -> click.Command:
        """Import it. The command has the same name in its module."""
        with _light_imports():
            module = import_module(f"watchkeeper.cli.{self.module}")
        found: click.Command = getattr(module, self.module.rpartition(".")[2])
        return found


_THREADS = "OPENBLAS_NUM_THREADS"


@contextmanager
def _light_imports() -> Iterator[None]:
    """Import with one thread for the arithmetic of numpy, and without looking for garbage.

    numpy's library reads the variable when it is loaded, and starts a thread for each core; the arrays here are too
    small for that. Programs that are started later do not get the variable. An import makes hardly any garbage.
    """
    chosen = _THREADS in os.environ
    os.environ.setdefault(_THREADS, "1")
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
        if not chosen:
            del os.environ[_THREADS]


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
        if args[0] not in self.commands_later and not args[0].startswith("-"):
            raise click.UsageError(_unknown(args[0], self.commands_later), ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002  click's signature
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, later.help) for name, later in self.commands_later.items()])

    def make_context(
        self,
        info_name: str | None,
        args: list[str],
        parent: click.Context | None = None,
        **extra: Any,  # noqa: ANN401  click's signature
    ) -> click.Context:
        """Parse the options, which prints the help. A reader that closes the pipe is not a failure here either."""
        try:
            return super().make_context(info_name, args, parent, **extra)
        except BrokenPipeError:
            _leave_quietly()
            raise click.exceptions.Exit(Exit.OK) from None

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401  click's signature
        """Run the command. A reader that closes the pipe (`| head`) is not a failure."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            _leave_quietly()
            return Exit.OK

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
        _show_any_text()
        sys.exit(self._ended(args, prog_name, complete_var, extra))

    def _ended(
        self, args: Sequence[str] | None, prog_name: str | None, complete_var: str | None, extra: dict[str, Any]
    ) -> int:
        """Run a command. Returns its exit code; what went wrong is printed on stderr."""
        try:
            returned = super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        except click.ClickException as error:
            _tell(error.show)
            return Exit.USAGE
        except (click.Abort, KeyboardInterrupt):
            return Exit.INTERRUPTED
        except WatchkeeperError as error:
            print_error(str(error))
            return code_of(error)
        except UnicodeEncodeError as error:  # SQLite and JSON take no name with other bytes
            print_error(f'"{error.object}" is not valid UTF-8; use another name')
            return Exit.USAGE
        except Exception as error:  # noqa: BLE001  a defect of ours must not end with 1, which says "needs you"
            return _unforeseen(error)
        return returned if isinstance(returned, int) else Exit.OK


_OTHER_WORDS = {
    "ack": "acknowledge", "alerts": "status", "list": "status", "show": "status", "silence": "shelve",
    "snooze": "shelve", "mute": "shelve", "downtime": "maintenance", "uptime": "availability",
    "outages": "availability", "log": "events", "logs": "events", "history": "export", "csv": "export",
    "test": "test-notifiers", "check": "check-config", "config": "check-config", "start": "run", "daemon": "run",
    "why": "explain", "forecast": "status", "init": "discover", "setup": "discover",
}  # fmt: skip
"""Words that people try first, and the command that does it."""


def _unknown(name: str, known: Iterable[str]) -> str:
    """That there is no such command, with the nearest one."""
    import difflib  # noqa: PLC0415  seldom needed

    meant = _OTHER_WORDS.get(name.casefold())
    near = [meant] if meant else difflib.get_close_matches(name, list(known), n=1)
    shown = name if name.isprintable() and len(name) <= LONGEST_SHOWN else "of that name"
    hint = f"did you mean {near[0]}?" if near else "`watchkeeper --help` lists them"
    return f"there is no command {shown}; {hint}"


def _typed(ctx: click.Context) -> list[str]:
    """The options that were typed before the command."""
    if ctx.get_parameter_source("config") is not ParameterSource.COMMANDLINE:
        return []
    return ["--config", str(ctx.params["config"])]


def _show_any_text() -> None:
    """Print names that are not valid UTF-8 with escapes, as stderr does, instead of failing."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")


def print_error(text: str) -> None:
    """Print an error on stderr, on as many lines as it has."""
    _tell(lambda: click.echo(f"watchkeeper: {text}", err=True))


def warn(text: str) -> None:
    """A warning on stderr; it changes no exit code."""
    click.echo(f"watchkeeper: {text}", err=True)


def _tell(show: Callable[[], None]) -> None:
    """Print on stderr. If that cannot be written to either, the exit code still says what happened."""
    with suppress(OSError):
        show()


def _unforeseen(error: Exception) -> Exit:
    """Report what was not raised on purpose: stdout that cannot be written to, a name that is too long, or a defect."""
    if isinstance(error, OSError) and error.errno in _UNWRITABLE and error.filename is None:
        _leave_quietly()
        print_error(f"standard output cannot be written: {error.strerror}")
        return Exit.IO_ERROR
    if isinstance(error, OSError) and error.errno == errno.ENAMETOOLONG:
        print_error(f"{str(error.filename)[:100]} is too long for the name of a file; use a shorter one")
        return Exit.USAGE
    _tell(lambda: traceback.print_exception(error))
    return Exit.SOFTWARE


_UNWRITABLE = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF})
"""Errors of write(2), which names no file. Every other file that a command writes has an error of ours."""


def _leave_quietly() -> None:
    """Discard what is still in the buffer: otherwise Python reports the error again when it flushes at exit."""
    if sys.stdout is not None:
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
