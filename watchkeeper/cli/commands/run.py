"""`watchkeeper run`: the daemon in the foreground. daemon/daemon.py does the work."""

import asyncio
import logging
from collections.abc import Callable
from functools import partial
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli.command_group import configured, warn
from watchkeeper.config.loading import Loaded
from watchkeeper.daemon import allocator, daemon
from watchkeeper.logs import setup as logs
from watchkeeper.logs.fields import about
from watchkeeper.settings import Settings

log = logging.getLogger(__name__)


@click.command()
@configured
@click.option("--verbose", "-v", is_flag=True, help="Also log the reason of each decision of the rules.")
def run(config: Path | None, *, verbose: bool) -> None:
    """Monitor this host until stopped (SIGTERM or Ctrl-C).

    Without a configuration it monitors every local file system that can become full, memory, swap and itself. When
    everything has started it prints the address of the status page. It logs to systemd's journal if it runs under
    systemd, otherwise to stderr.

    SIGHUP makes it read its configuration again. If the new one has errors, they are logged and the previous one stays
    in use. [page], [host] and the path of the database change only at a restart.

    \b
    watchkeeper run
    watchkeeper --config hide-hub.toml run

    Exit codes: 0 stopped as requested, 69 it cannot run here (the port or the database is in use), 78 the configuration
    cannot be used.
    """  # noqa: D301  click reads \b as: keep the lines
    serve(config, settings.read(config), verbose=verbose)


def serve(config: Path | None, loaded: Loaded[Settings], *, verbose: bool, station: bool = False) -> None:
    """Run the daemon until it is stopped. station: with the page over all hosts of the archive."""
    allocator.share_one_arena()
    for warning in loaded.warnings:
        warn(warning)

    def ready(address: str) -> None:
        known = loaded.settings
        probes, notifiers = _counted(len(known.probes), "probe"), _counted(len(known.notifiers), "notifier")
        click.echo(f"monitoring {known.host.label}: {probes}, {notifiers}\npage: {address}")

    with logs.begun(verbose=verbose) as handler:
        asyncio.run(_serve(loaded.settings, ready, partial(settings.read, config), handler, station=station))


async def _serve(
    known: Settings,
    ready: Callable[[str], None],
    reread: Callable[[], Loaded[Settings]],
    handler: logs.Handler,
    *,
    station: bool,
) -> None:
    for each in settings.unusable_plugins():
        fields = about(each.event, probe=each.kind) if each.thing == "probe" else about(each.event, notifier=each.kind)
        log.warning("%s", each, extra=fields)
    async with logs.with_periodic_flush(handler):
        await daemon.serve(known, ready=ready, reread=reread, station=station)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
