"""`watchkeeper backups`: which guest has a backup, how old it is, and where it lies.

Not here: how copies are found (inventory/backups.py), and what they are worth (planning/backups.py).
"""

import asyncio
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import output
from watchkeeper.cli.command_group import configured, ended
from watchkeeper.cli.database import opened
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.inventory.backups import backups as look_for
from watchkeeper.inventory.scan import look
from watchkeeper.messages.wording import clean, duration, instant
from watchkeeper.planning.backups import BackupsAnswer, GuestBackup, summary
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.web.planning.backups_json import backups_form


@click.command()
@configured
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object: `good`, and every guest.")
def backups(config: Path | None, *, as_json: bool) -> None:
    """Show for every guest, store and volume of a container what backs it up, how old that is, where it lies, down to
    the disk, whether its newest files are damaged, and when a restore last succeeded.

    Copies are looked for in the probes of kind job and snapshots that name the guest in backup_of, in sets of files
    with the guest's own name, and in datasets that another pool received. A store or a volume is named there by what it
    is, such as "pool skerry", "volume hide-hub-data" or "folder /srv/tides"; a store that is not named counts by the
    guests and datasets on it. A copy on the guest's own store is none: both are lost together. "No backup" names the
    places that were looked at; "cannot tell" says which could not be.

    \b
    watchkeeper backups
    watchkeeper backups --json

    Exit codes: 0 every guest has a good backup, 1 not every one, or no guest could be seen, 66 there is no database.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    answer = asyncio.run(_ask(known))
    if as_json:
        output.as_json({"host": known.host.label, **backups_form(answer)})
    else:
        show(answer, known)
    ended(Exit.OK if answer.good else Exit.NEEDS_YOU)


async def _ask(known: settings.Settings) -> BackupsAnswer:
    clock, workers = Clock(), ThreadWorkers()
    try:
        async with opened(known) as store:
            bench = ProbeContext(clock, workers, store.probe_states, store.job_reports)
            return await look_for(known, await look(known, bench), bench)
    finally:
        workers.close()


def show(answer: BackupsAnswer, known: settings.Settings) -> None:
    """Print the summary, then a row for each guest, volume and store, those without a good backup first."""
    output.heading(f"{known.host.label}, {instant(answer.at, known.host.zone, answer.at)}")
    output.paragraph(summary(answer))
    output.blank()
    for heading, rows in (("", answer.guests), ("Volumes of containers", answer.volumes), ("Stores", answer.stores)):
        if rows:
            ordered = sorted(rows, key=lambda each: (each.newest_at is not None, each.name))
            if heading:
                output.heading(heading)
            output.rows((each.name, [_first(each, answer, heading), *each.reasons]) for each in ordered)
            output.blank()
    if answer.unseen:
        output.heading("Not checked")
        output.paragraph("\n".join(f"- {clean(each, 400)}" for each in answer.unseen))


ON_IT = {"": "disks", "Volumes of containers": "folder", "Stores": "on it"}
"""What the parts of a thing are, by its heading."""


def _first(guest: GuestBackup, answer: BackupsAnswer, heading: str) -> str:
    age = f", {duration((answer.at - guest.newest_at).total_seconds())} old" if guest.newest_at else ""
    if guest.disks:
        return f"{guest.coverage}{age}; {ON_IT[heading]}: {', '.join(clean(each) for each in guest.disks)}"
    return f"{guest.coverage}{age}{'' if heading else '; its disks are not known'}"
