"""`watchkeeper changes`: what changed on the host, from the database."""

import asyncio
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import output
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.commands.history.events import DATED
from watchkeeper.cli.database import opened
from watchkeeper.cli.when import HELP, Moment, When
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.messages.changes import grouped, text_of, time_of
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.web.api.json_forms import change_form


@click.command()
@configured
@click.option("--since", type=When(), default="7d", show_default=True, help=f"From then on. {HELP}")
@click.option(
    "--kind",
    "kinds",
    type=click.Choice([each.value for each in ChangeKind]),
    multiple=True,
    help="Only changes of this kind; may be given more than once.",
)
@click.option(
    "--limit",
    type=click.IntRange(min=1),
    default=500,
    show_default=True,
    help="The maximum number of changes; the newest are shown.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line, as in the API.")
def changes(config: Path | None, *, since: Moment, kinds: Sequence[str], limit: int, as_json: bool) -> None:
    """Show what changed on this host, the newest change last: restarts, packages, unit files, mounts, kernel, guests,
    disks and adapters, reloads of the configuration, and your notes.

    Changes of one sort that follow each other within 10 minutes are one line. Where the moment is not known, the line
    has the two times between which it was.

    \b
    watchkeeper changes --since 2d
    watchkeeper changes --kind package --kind unit

    Exit codes: 0 done, 66 there is no database.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    from_then, wanted = since.at(known.host.zone), [ChangeKind(each) for each in kinds]
    found = asyncio.run(_read(known, from_then, wanted, limit))
    if as_json:
        for each in reversed(found):
            output.as_json(change_form(each))
        return
    zone, now = known.host.zone, Clock().now()
    if not found:
        output.paragraph("No change is recorded since then.")
        return
    output.rows(((time_of(each, zone, now), [text_of(each)]) for each in reversed(grouped(found))), most_left=DATED)


async def _read(
    known: settings.Settings, since: datetime | None, kinds: Sequence[ChangeKind], limit: int
) -> Sequence[Change]:
    async with opened(known) as store:
        return await store.changes(since, kinds=kinds, limit=limit)
