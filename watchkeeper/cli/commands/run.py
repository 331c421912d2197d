"""`watchkeeper run`: the daemon in the foreground. daemon/daemon.py does the work."""

import asyncio
import logging
from collections.abc import Callable
from functools import partial
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.output import warn
from watchkeeper.config.loading import Loaded
from watchkeeper.daemon import daemon
from watchkeeper.logs import setup as logs
from watchkeeper.logs.fields import about
from watchkeeper.settings import Settings

log = logging.getLogger(__name__)


@click.command()
@configured
@click.option("--verbose", "-v", is_flag=True, help="Also log why each rule decides as it does.")
def run(config: Path | None, *, verbose: bool) -> None:
    """Watch over this host until stopped (SIGTERM, or Ctrl-C).

    Without a configuration it watches every local file system that can fill, memory, swap and itself. It prints the
    page's address once all is running, and logs to systemd's journal where it runs under it, else to stderr.

    At SIGHUP it reads its configuration anew and puts it to work; where that has errors it tells them and goes on as
    before. [page], [host] and the database's path need a restart.

    \b
    watchkeeper run
    watchkeeper --config hide-hub.toml run

    Exit codes: 0 stopped as asked, 69 it cannot run here (the port or the database is in use), 78 the configuration
    cannot be used.
    """  # noqa: D301  click reads \b as: keep the lines
    loaded = settings.read(config)
    for warning in loaded.warnings:
        warn(warning)

    def ready(address: str) -> None:
        known = loaded.settings
        probes, notifiers = _counted(len(known.probes), "probe"), _counted(len(known.notifiers), "notifier")
        click.echo(f"watchkeeper is on watch over {known.host.label}: {probes}, {notifiers}\npage: {address}")

    with logs.begun(verbose=verbose) as handler:
        asyncio.run(_serve(loaded.settings, ready, partial(settings.read, config), handler))


async def _serve(
    known: Settings, ready: Callable[[str], None], reread: Callable[[], Loaded[Settings]], handler: logs.Handler
) -> None:
    for each in settings.unusable_plugins():
        fields = about(each.event, probe=each.kind) if each.thing == "probe" else about(each.event, notifier=each.kind)
        log.warning("%s", each, extra=fields)
    async with logs.with_periodic_flush(handler):
        await daemon.serve(known, ready=ready, reread=reread)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
