"""`watchkeeper report`: what happened in a month, from the database."""

import asyncio
from datetime import date, timedelta
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.database import opened
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.messages.reports.month import Month, month_of, monthly_report
from watchkeeper.messages.reports.report import report_text
from watchkeeper.web.reports.gather import read_month


class MonthName(click.ParamType[date]):
    """A month, as `2026-11`; its first day."""

    name = "month"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """Read it."""
        if isinstance(value, date):
            return value
        found = month_of(str(value).strip())
        if found is None:
            self.fail(f'"{value}" is not a month; write one such as 2026-11', param, ctx)
        return found


@click.command()
@configured
@click.argument("month", type=MonthName(), required=False)
def report(config: Path | None, month: date | None) -> None:
    """Print what happened in MONTH or, without it, in the month before this one: restarts of the host and how they came
    about, how long services did not answer, how much stores grew, what was missed, alarms, how forecasts came true,
    what was changed, and messages that could not be sent.

    Only what is recorded is stated; a month that is recorded in part says which part. A notifier with monthly_report
    sends it on the first day of each month, and the page has it ready to print.

    \b
    watchkeeper report
    watchkeeper report 2026-11

    Exit codes: 0 done, 64 that is no month, or it has not begun, 66 there is no database.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    today = Clock().now().astimezone(known.host.zone).date().replace(day=1)
    first = month or (today - timedelta(days=1)).replace(day=1)
    if first > today:
        raise click.UsageError(f"{first:%Y-%m} has not begun")
    click.echo(report_text(monthly_report(asyncio.run(_read(known, first)), known.host.zone)), nl=False)


async def _read(known: settings.Settings, first: date) -> Month:
    async with opened(known) as store:
        return await read_month(store, first, (known.host.label, known.host.zone), Clock().now())
