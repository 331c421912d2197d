"""The commands. The only code that prints.

This module lists the commands and does not know what they do. Each is imported when it is called, so that `watchkeeper
--help` and `watchkeeper backtest` start without the daemon's packages.
"""

from pathlib import Path

import click

from watchkeeper import __version__
from watchkeeper.cli import exit_codes
from watchkeeper.cli.command_group import Commands, LazyCommand

COMMANDS = {
    "run": LazyCommand("commands.run", "Watch over this host until stopped."),
    "probe": LazyCommand("commands.probe", "Run every probe now and print what it sees."),
    "status": LazyCommand("commands.status", "Show how things stand, ordered by the time that is left."),
    "events": LazyCommand("commands.events", "Show what has happened."),
    "backtest": LazyCommand("backtest.backtest", "Walk the rules through recorded history."),
    "capacity": LazyCommand("commands.capacity", "Say whether a guest fits, now and in three months, and why."),
    "preflight": LazyCommand("commands.preflight", "Say whether a change is safe now; afterwards, what became of it."),
    "reclaim": LazyCommand("commands.reclaim", "Say what deleting snapshots would free; it deletes nothing."),
    "backup": LazyCommand("commands.backup", "Copy the database to a file, while the daemon runs."),
    "restore": LazyCommand("commands.restore", "Put a backup in the place of the database."),
    "discover": LazyCommand("commands.discover", "Look at this host, and propose a configuration for what is there."),
    "ran": LazyCommand("commands.ran", "Say that a job has run, or that it failed."),
    "check-config": LazyCommand(
        "commands.check_config", "Check the configuration, and print what will be watched and told."
    ),
    "test-notifiers": LazyCommand("commands.test_notifiers", "Send a test message through every notifier."),
    "password": LazyCommand("commands.password", "Make the hash of the password with which one acts on the page."),
    "demo": LazyCommand("commands.demo", "Show an invented station whose time runs fast."),
}
"""Every command in the order of the help, with the module that holds it and its line there."""

EPILOG = f"\b\nExit codes of every command; those from 64 on are from sysexits(3):\n{exit_codes.listed()}"


@click.command(cls=Commands, commands_later=COMMANDS, epilog=EPILOG)
@click.option(
    "--config",
    type=click.Path(path_type=Path),
    metavar="FILE",
    envvar="WATCHKEEPER_CONFIG",
    help="The configuration to read; may also stand after the command. Without it: "
    "$XDG_CONFIG_HOME/watchkeeper/config.toml, ~/.config/watchkeeper/config.toml or /etc/watchkeeper/config.toml, "
    "the first that exists; where none does, the defaults.",
)
@click.version_option(__version__, prog_name="watchkeeper", message="%(prog)s %(version)s")
@click.pass_context
def main(context: click.Context, config: Path | None) -> None:
    """Watch over one home server: what will run out, what has gone stale, what is silent, what is at fault, and how
    much time is left.

    \b
    watchkeeper run             watches what it finds here, without any configuration
    watchkeeper status           shows how things stand
    watchkeeper check-config    says what a configuration means before it is used
    """  # noqa: D301  click reads \b as: keep the lines
    context.obj = config
