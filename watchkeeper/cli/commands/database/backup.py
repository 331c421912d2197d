"""`watchkeeper backup`: a copy of the database, made while the daemon runs. store/files/backup.py makes the copy."""

from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli.archive import pack
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.database import there
from watchkeeper.config.secrets import Secrets
from watchkeeper.model.units import format_size
from watchkeeper.store.files.backup import back_up


@click.command()
@configured
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE", help="The file to create.")
@click.option("--force", is_flag=True, help="Replace FILE if it exists.")
@click.option(
    "--all", "every", is_flag=True, help="A tar archive: database, keys, job reports, configuration, secrets."
)
def backup(config: Path | None, file: Path, *, force: bool, every: bool) -> None:
    """Copy the database to FILE as it is now: history, alerts, event log and messages that are not delivered yet.

    The daemon may run and continue to write. The copy is checked and synced before it gets its name, so if anything
    fails, FILE is as it was before. Keep backups on another machine: a copy on the same disk is lost with it.

    \b
    watchkeeper backup /mnt/jetty/gannet.db
    watchkeeper backup --force /mnt/jetty/gannet.db
    watchkeeper backup --all /mnt/jetty/gannet.tar

    With --all, FILE has everything that another machine needs, secrets included: keep it where only you can read it.

    Exit codes: 0 the copy is complete, 66 there is no database, 73 the copy cannot be written.
    """  # noqa: D301  click reads \b as: keep the lines
    loaded = settings.read(config, secrets=Secrets.LEFT_ALONE)
    source = there(loaded.settings)
    if every:
        names = pack(loaded, source, file, replace=force)
        click.echo(
            "\n".join([f"{file} holds {len(names)} files, secrets included; only its owner can read it:", *names])
        )
        return
    size = back_up(source, file, replace=force)
    click.echo(f"copied {source} to {file} ({format_size(size)}, checked)")
