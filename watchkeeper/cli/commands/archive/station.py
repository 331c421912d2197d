"""`watchkeeper station`: the page over all hosts of the archive, and who no longer writes to it."""

from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.commands.run import serve
from watchkeeper.errors import ConfigError, Problem


@click.command()
@configured
@click.option("--verbose", "-v", is_flag=True, help="Also log the reason of each decision of the rules.")
def station(config: Path | None, *, verbose: bool) -> None:
    """Show all hosts of the archive on one page, and report hosts that no longer write to it (until stopped).

    The configuration is one of its own, with another database and another port than that of a daemon on the same host.
    [archive] url is the address that archive-init --page prints. Everything else works as in `run`: notifiers, probes
    of its own (watch_host = false for none), reading the configuration again. Of several stations one sends messages;
    if it ends, another one sends within a minute.

    \b
    watchkeeper --config /etc/watchkeeper/station.toml station

    Exit codes: 0 stopped as requested, 69 it cannot run here (the port or the database is in use), 78 the configuration
    cannot be used.
    """  # noqa: D301  click reads \b as: keep the lines
    loaded = settings.read(config)
    if loaded.settings.archive.url is None:
        what = "is needed for a station; write the address of archive-init --page into a file, and name it here"
        raise ConfigError(str(loaded.path or "the configuration"), [Problem("archive.url", what)])
    serve(config, loaded, verbose=verbose, station=True)
