"""`watchkeeper sheet`: one page for somebody who looks after the house, from the configuration and the database."""

import asyncio
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.alerting.correlation.dependencies import Dependencies
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.database import opened
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.inventory.house_facts import house_facts
from watchkeeper.messages.reports.report import Report, report_text
from watchkeeper.messages.reports.sheet import sheet as make_sheet


@click.command()
@configured
def sheet(config: Path | None) -> None:
    """Print one page for somebody who looks after this house while you are away: whom to call, what to do first, what
    there is, what depends on what, and where backups lie.

    Contacts, notes and what to do first come from [sheet] in the configuration; the rest is what is seen. It holds no
    password, token or address of a notifier. The page has the same at /sheet, ready to print on one A4 page.

    \b
    watchkeeper sheet
    watchkeeper sheet | lp

    Exit codes: 0 done, 66 there is no database.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    click.echo(report_text(asyncio.run(_read(known))), nl=False)


async def _read(known: settings.Settings) -> Report:
    async with opened(known) as store:
        seen = await store.latest()
        dependencies = Dependencies({each.label: each.depends_on for each in known.probes})
        for each in await store.series():
            dependencies.place(each.key.subject, each.probe)
    for one in seen:
        dependencies.observe(one.observation, one.probe)
    return make_sheet(house_facts(known), seen, dependencies.dependents_of, known.host.zone, Clock().now())
