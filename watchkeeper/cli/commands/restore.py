"""`watchkeeper restore`: replaces the database with a backup. store/files/backup.py does the work."""

from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.database import place
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.store.files.backup import restore as put_back


@click.command()
@configured
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE", help="A backup made by `watchkeeper backup`.")
def restore(config: Path | None, file: Path) -> None:
    """Put the backup FILE in the place of the database.

    The daemon must not run: end it first. FILE is checked before anything is changed (is it a database of watchkeeper,
    of a form that this version knows, and whole?), and the database that was there is kept beside the new one.

    \b
    systemctl stop watchkeeper
    watchkeeper restore /mnt/jetty/gannet.db
    systemctl start watchkeeper

    Exit codes: 0 restored, 65 FILE is damaged or not a backup, 66 there is no such file, 69 the daemon runs.
    """  # noqa: D301  click reads \b as: keep the lines
    path = place(settings.read(config, secrets=Secrets.LEFT_ALONE).settings)
    aside = put_back(file, path, Clock().now())
    click.echo(f"restored {path} from {file}")
    if aside is not None:
        click.echo(f"the database that was there is kept as {aside}")
