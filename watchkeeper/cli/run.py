"""`watchkeeper run`: the daemon in the foreground. What it does stands in daemon.py."""

import asyncio
import logging
from pathlib import Path

import click

from watchkeeper import daemon, settings
from watchkeeper.cli.group import configured
from watchkeeper.cli.output import warn


@click.command()
@configured
@click.option("--verbose", "-v", is_flag=True, help="Also log what goes well.")
def run(config: Path | None, *, verbose: bool) -> None:
    """Watch over this host until stopped (SIGTERM, or Ctrl-C).

    Without a configuration it watches every local file system that can fill, memory, swap and itself. It prints the
    page's address once all is running, and logs to stderr.

    \b
    watchkeeper run
    watchkeeper --config hide-hub.toml run

    Exit codes: 0 stopped as asked, 2 the configuration cannot be used, 3 it cannot run here (the port or the database
    is taken, a place may not be written to).
    """  # noqa: D301  click reads \b as: keep the lines
    loaded = settings.read(config)
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    logging.getLogger("watchkeeper").setLevel(logging.DEBUG if verbose else logging.INFO)
    for warning in loaded.warnings:
        warn(warning)

    def ready(address: str) -> None:
        known = loaded.settings
        probes, notifiers = _counted(len(known.probes), "probe"), _counted(len(known.notifiers), "notifier")
        click.echo(f"watchkeeper is on watch over {known.host.label}: {probes}, {notifiers}\npage: {address}")

    asyncio.run(daemon.serve(loaded.settings, ready=ready))


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
