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
    "run": LazyCommand("commands.run", "Monitor this host until stopped."),
    "probe": LazyCommand("commands.probe", "Run every probe now and print the results."),
    "status": LazyCommand("commands.alerts.status", "Show what needs you, ordered by the time left."),
    "events": LazyCommand("commands.history.events", "Show the event log."),
    "changes": LazyCommand("commands.history.changes", "Show what changed on this host."),
    "grew": LazyCommand("commands.history.grew", "Show what grew: directories, datasets, volumes, images."),
    "explain": LazyCommand("commands.alerts.explain", "Explain why something was or was not sent."),
    "availability": LazyCommand(
        "commands.history.availability", "Show how long services did not answer, and how often."
    ),
    "report": LazyCommand("commands.history.report", "Print what happened in a month."),
    "export": LazyCommand("commands.history.export", "Write the history of quantities as CSV."),
    "acknowledge": LazyCommand("commands.alerts.acknowledge", "Acknowledge an alert."),
    "shelve": LazyCommand("commands.alerts.shelve", "Shelve an alert for a time."),
    "maintenance": LazyCommand("commands.alerts.maintenance", "Send nothing about a subject for a planned time."),
    "simulate": LazyCommand("commands.alerts.simulate", "Raise a test alert through the real rules and routes."),
    "note": LazyCommand("commands.history.note", "Write a note into the event log."),
    "backtest": LazyCommand("backtest.backtest", "Run the rules over a recorded history."),
    "capacity": LazyCommand("commands.planning.capacity", "Check whether a new or larger guest fits on this host."),
    "preflight": LazyCommand("commands.planning.preflight", "Check whether a change is safe, or what it has changed."),
    "backups": LazyCommand("commands.planning.backups", "Show which guest has a backup, how old, and where it lies."),
    "sheet": LazyCommand("commands.planning.sheet", "Print one page for somebody who looks after this house."),
    "reclaim": LazyCommand("commands.planning.reclaim", "Show what deleting snapshots would free. Deletes nothing."),
    "backup": LazyCommand("commands.database.backup", "Copy the database to a file."),
    "restore": LazyCommand("commands.database.restore", "Replace the database with a backup."),
    "archive-init": LazyCommand("commands.archive.archive_init", "Make the archive of several hosts in PostgreSQL."),
    "station": LazyCommand("commands.archive.station", "Show all hosts of the archive on one page."),
    "discover": LazyCommand("commands.configuration.discover", "Examine this host and propose a configuration."),
    "ran": LazyCommand("commands.ran", "Report that a job has run, or that it failed."),
    "restored": LazyCommand("commands.restored", "Report that a restore of a backup was tried."),
    "check-config": LazyCommand(
        "commands.configuration.check_config", "Check the configuration and show what it means."
    ),
    "test-notifiers": LazyCommand(
        "commands.configuration.test_notifiers", "Send a test message through every notifier."
    ),
    "password": LazyCommand("commands.configuration.password", "Create the hash of the password for the status page."),
    "demo": LazyCommand("commands.demo", "Monitor a simulated server whose time runs fast."),
}
"""Every command in the order of the help, with the module that holds it and its line there."""

EPILOG = f"\b\nExit codes of every command; those from 64 on are from sysexits(3):\n{exit_codes.listed()}"


@click.command(cls=Commands, commands_later=COMMANDS, epilog=EPILOG)
@click.option(
    "--config",
    type=click.Path(path_type=Path),
    metavar="FILE",
    envvar="WATCHKEEPER_CONFIG",
    help="The configuration file; the option may also follow the command. Default: the first that exists of "
    "$XDG_CONFIG_HOME/watchkeeper/config.toml, ~/.config/watchkeeper/config.toml and /etc/watchkeeper/config.toml; "
    "if none exists, watchkeeper runs with its defaults.",
)
@click.version_option(__version__, prog_name="watchkeeper", message="%(prog)s %(version)s")
@click.pass_context
def main(context: click.Context, config: Path | None) -> None:
    """Monitor one home server: what will run out, what is overdue, what does not answer, what is faulty, and how much
    time is left.

    \b
    watchkeeper run             monitors this host; needs no configuration
    watchkeeper status          shows what needs you, and the time left
    watchkeeper check-config    shows what a configuration means
    """  # noqa: D301  click reads \b as: keep the lines
    context.obj = config
