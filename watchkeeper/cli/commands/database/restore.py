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
    """Replace the database with the backup FILE.

    Stop the daemon first. Before anything is changed, FILE is checked: it must be an intact database of watchkeeper, in
    a format that this version knows. The previous database is kept beside the new one.

    \b
    systemctl stop watchkeeper
    watchkeeper restore /mnt/jetty/gannet.db
    systemctl start watchkeeper

    Exit codes: 0 restored, 65 FILE is damaged or not a backup, 66 there is no such file, 69 the daemon runs. Except
    with 0, the database is as it was before.
    """  # noqa: D301  click reads \b as: keep the lines
    if file.suffix == ".tar":
        raise click.UsageError(
            f"{file} is an archive of `backup --all`; unpack it and restore state/watchkeeper.db of it: "
            "the manual says how under database, Moving to another machine"
        )
    path = place(settings.read(config, secrets=Secrets.LEFT_ALONE).settings)
    aside = put_back(file, path, Clock().now())
    click.echo(f"restored {path} from {file}")
    if aside is not None:
        click.echo(f"the previous database is now {aside}")
