"""`watchkeeper note`: the operator's note in the event log. The running daemon writes it."""

import asyncio
from collections.abc import Sequence
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import control
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.database import opened
from watchkeeper.cli.subjects import chosen
from watchkeeper.config.secrets import Secrets
from watchkeeper.daemon.control import LONGEST_NOTE, Note
from watchkeeper.model.observation import SeriesKey


@click.command()
@configured
@click.argument("text")
@click.option(
    "--about", "subject", default="", metavar="NAME", help="The subject that the note is about, or a part of its name."
)
def note(config: Path | None, text: str, *, subject: str) -> None:
    """Write the note TEXT into the event log, where the page and `watchkeeper events` show it.

    It asks the running daemon over a socket beside the database, so only root and the user that runs watchkeeper can.

    \b
    watchkeeper note "Snapshots before the upgrade, to be removed by Friday."
    watchkeeper note --about "pool skerry" "Replaced the second disk."

    Exit codes: 0 done, 64 the text is too long or there is no such subject, 66 there is no database, 69 the daemon does
    not run, 77 no permission.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    said = " ".join(text.split())
    if not 0 < len(said) <= LONGEST_NOTE:
        raise click.UsageError(f"a note has between 1 and {LONGEST_NOTE} characters; this one has {len(said)}")
    key = asyncio.run(_key(known, subject)) if subject else None
    asked = Note(text=said, subject=key.subject if key else None, quantity=key.quantity if key else None)
    control.ask(known, asked)
    click.echo("Noted in the event log.")


async def _key(known: settings.Settings, subject: str) -> SeriesKey:
    """The first quantity of the subject that is meant. Raises UsageError if there is none, or several."""
    async with opened(known) as store:
        every: Sequence[SeriesKey] = [each.key for each in await store.series()]
    meant = chosen(dict.fromkeys(each.subject for each in every), subject)
    return next(each for each in every if each.subject == meant)
