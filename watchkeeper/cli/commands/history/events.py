"""`watchkeeper events`: the event log, from the database."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import output
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.database import opened
from watchkeeper.cli.when import HELP, Moment, When
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.messages.wording import instant
from watchkeeper.model.records import Entry, EventLine
from watchkeeper.store import Store
from watchkeeper.web.api.json_forms import Ids, event_form

PAGE = 500
"""Lines that are read at once."""

DATED = 21
"""Cells of an instant with its year."""

FOLLOW_S = 1.0
"""How often --follow reads the log: a person watches it, and a read costs a millisecond."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which lines are requested."""

    subject: str
    entry: Entry | None
    since: datetime | None
    limit: int

    def fits(self, line: EventLine) -> bool:
        """Whether a line is about the requested subject."""
        return not self.subject or self.subject.casefold() in str(line.key or "").casefold()


@click.command()
@configured
@click.option(
    "--subject", default="", metavar="TEXT", help="Only entries whose subject or quantity contains this text."
)
@click.option("--entry", type=click.Choice([each.value for each in Entry]), help="Only entries of this kind.")
@click.option("--since", type=When(), help=f"Only entries since then. {HELP}")
@click.option(
    "--limit",
    type=click.IntRange(min=1),
    default=100,
    show_default=True,
    help="The maximum number of entries; the newest are shown.",
)
@click.option("--follow", "-f", is_flag=True, help="Continue to print new entries, until Ctrl-C.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line, as in the API.")
def events(
    config: Path | None,
    *,
    subject: str,
    entry: str | None,
    since: Moment | None,
    limit: int,
    follow: bool,
    as_json: bool,
) -> None:
    """Show the event log, the newest entry last: changes of alerts, deliveries, starts and stops.

    The objects of --json are those of the API: id, at, kind, text, quantity_id, subject, quantity, concern and details.

    \b
    watchkeeper events --since 2d
    watchkeeper events --subject skerry --follow
    watchkeeper events --json --entry delivery

    Exit codes: 0 done, 66 there is no database.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    zone = known.host.zone
    wanted = Wanted(subject, Entry(entry) if entry else None, since.at(zone) if since else None, limit)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_print(known, wanted, follow=follow, as_json=as_json))


async def _print(known: settings.Settings, wanted: Wanted, *, follow: bool, as_json: bool) -> None:
    async with opened(known) as store:
        ids = {each.key: each.id for each in await store.series()}
        newest = await store.events(limit=1)
        shown = newest[0].id if newest else 0
        for line in await _last(store, wanted):
            _line(line, ids, known.host.zone, as_json=as_json)
            shown = max(shown, line.id)  # it may have been written after `newest` was read
        if follow:
            async for line in _coming(store, wanted, shown):
                _line(line, ids, known.host.zone, as_json=as_json)


async def _last(store: Store, wanted: Wanted) -> Sequence[EventLine]:
    """The newest lines that match, oldest first."""
    out: list[EventLine] = []
    before: int | None = None
    while len(out) < wanted.limit:
        page = await store.events(before_id=before, entry=wanted.entry, since=wanted.since, limit=PAGE)
        out += [line for line in page if wanted.fits(line)]
        if len(page) < PAGE:
            break
        before = page[-1].id
    return out[: wanted.limit][::-1]


async def _coming(store: Store, wanted: Wanted, after_id: int) -> AsyncIterator[EventLine]:
    """The lines that follow a given line. Never ends."""
    while True:
        for line in await store.events(after_id=after_id, entry=wanted.entry, limit=PAGE):
            after_id = line.id
            if wanted.fits(line):
                yield line
        await asyncio.sleep(FOLLOW_S)


def _line(line: EventLine, ids: Ids, zone: tzinfo, *, as_json: bool) -> None:
    if as_json:
        output.as_json(event_form(line, ids))
        return
    entry = "" if line.entry is Entry.TRANSITION else f"{line.entry.value}: "
    output.rows([(instant(line.at, zone, Clock().now()), [f"{entry}{line.text}"])], most_left=DATED)
