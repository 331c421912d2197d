"""`watchkeeper maintenance`: observe and record a subject, and send nothing about it, for a planned time."""

import asyncio
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.alerting.correlation.dependencies import Dependencies
from watchkeeper.cli import control
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.database import opened
from watchkeeper.cli.subjects import subject_named
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.daemon.control import Maintain
from watchkeeper.errors import StartError
from watchkeeper.messages.delivery.maintenance import line
from watchkeeper.messages.wording import clean, duration, instant
from watchkeeper.model.operator.maintenance import LONGEST_MAINTENANCE, Maintenance
from watchkeeper.model.units import parse_duration


class PlannedTime(click.ParamType[timedelta]):
    """How long, such as `2h`."""

    name = "time"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> timedelta:
        """Parse it."""
        try:
            span = timedelta(seconds=parse_duration(str(value)))
        except (ValueError, OverflowError):
            self.fail(f'"{value}" is not a duration such as 2h or 3d', param, ctx)
        if not timedelta() < span <= LONGEST_MAINTENANCE:
            self.fail(f'"{value}" is not between 1 s and {_longest()}; no maintenance is longer', param, ctx)
        return span


def _longest() -> str:
    return duration(LONGEST_MAINTENANCE.total_seconds())


@click.command()
@configured
@click.argument("name", metavar="[SUBJECT]", required=False, default="", help="The subject, or a part of its name.")
@click.argument("span", metavar="[TIME]", type=PlannedTime(), required=False, help="How long, such as 2h; at most 7d.")
@click.argument("reason", metavar="[REASON]", required=False, default="", help="Why; for the page and the event log.")
@click.option("--end", is_flag=True, help="End the maintenance of SUBJECT now.")
def maintenance(config: Path | None, name: str, span: timedelta | None, reason: str, *, end: bool) -> None:
    """Send nothing about SUBJECT and all that depends on it for a planned TIME. Without SUBJECT, list what is planned.

    Everything is observed and recorded meanwhile. It ends by itself, and what is still faulty then is sent. It is never
    longer than 7 days.

    \b
    watchkeeper maintenance hide-hub 2h "new disk"
    watchkeeper maintenance hide-hub --end
    watchkeeper maintenance

    Exit codes: 0 done, 64 there is no such subject, or several, or it has no maintenance, 66 there is no database, 69
    the daemon does not run, 77 no permission.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    now, zone = Clock().now(), known.host.zone
    if not name:
        planned = [each for each in asyncio.run(_planned(known)) if each.until > now]
        click.echo("\n".join(line(each, zone, now) for each in planned) or "No maintenance is planned.")
        return
    if (span is None) is not end:
        raise click.UsageError("write how long, such as 2h, or --end")
    subject, dependents = asyncio.run(_subject(known, name))
    until = None if span is None else now + span
    done = control.ask(known, Maintain(subject=subject, until=until, reason=reason))
    if not done and end:
        raise click.UsageError(f'"{clean(subject, 60)}" has no maintenance')
    if not done:
        raise StartError(f'the daemon does not monitor "{clean(subject, 60)}" now: was it removed or renamed?')
    click.echo(_said(subject, dependents, instant(until, zone, now) if until else None))


def _said(subject: str, dependents: Sequence[str], until: str | None) -> str:
    what = clean(subject)
    if until is None:
        return f"The maintenance of {what} has ended. What is still faulty is sent now."
    more = f" and what depends on it ({', '.join(clean(each, 60) for each in dependents)})" if dependents else ""
    return f"Nothing is sent about {what}{more} until {until}. What is still faulty then is sent."


async def _planned(known: settings.Settings) -> Sequence[Maintenance]:
    async with opened(known) as store:
        return await store.maintenance()


async def _subject(known: settings.Settings, name: str) -> tuple[str, Sequence[str]]:
    """The subject that is meant, and what depends on it. Of several, the one on which all others depend."""
    async with opened(known) as store:
        dependencies = Dependencies({each.label: each.dependencies for each in known.probes})
        for each in await store.series():
            dependencies.place(each.key.subject, each.probe)
        for one in await store.latest():
            dependencies.observe(one.observation, one.probe)
        subject = await subject_named(store, name, dependencies.dependents_of)
        return subject, dependencies.dependents_of(subject)
