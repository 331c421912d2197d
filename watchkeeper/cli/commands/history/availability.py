"""`watchkeeper availability`: how long services did not answer, and how often, from the database."""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import output
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.database import opened
from watchkeeper.cli.when import HELP, Moment, When
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.messages import availability as words
from watchkeeper.messages.wording import clean, instant
from watchkeeper.model.history import availability as measured
from watchkeeper.model.history.availability import AnswerHistory, Outage, Period
from watchkeeper.model.observation import Kind
from watchkeeper.model.records import Series
from watchkeeper.store import Store
from watchkeeper.web.api.availability import availability_form

LISTED = 20
"""Outages that are listed with their times; the newest ones."""

LEFT = 20
"""Cells of a period's name: `September 2026` and `week 48 of 2026` fit."""

AUTOMATIC = ((timedelta(days=15), Period.DAY), (timedelta(days=100), Period.WEEK), (timedelta.max, Period.MONTH))
"""The periods that are shown if none is asked for: the first whose limit is not exceeded."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked: since when until when, and in which periods (None: those that suit)."""

    since: datetime
    until: datetime
    by: Period | None
    zone: tzinfo

    @property
    def period(self) -> Period:
        """The periods to show."""
        length = self.until - self.since
        return self.by or next(each for limit, each in AUTOMATIC if length <= limit)


@click.command()
@configured
@click.argument("name", default="", required=False)
@click.option("--since", type=When(), default="30d", show_default=True, help=f"From then on. {HELP}")
@click.option(
    "--by", type=click.Choice([each.value for each in Period]), help="The periods to show. Default: those that suit."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object for each service, as in the API.")
def availability(config: Path | None, name: str, *, since: Moment, by: str | None, as_json: bool) -> None:
    """Show how long services did not answer, and how often: those with NAME in their name, or all.

    Time in which nothing was measured, because watchkeeper or the host did not run, is counted apart. Outages count in
    the period in which they began. Each is listed with its times and with what was seen first, for as long as days are
    kept (ten years by default), and at most 2,000 of a service. Older ones, and those from before this version kept
    them, count by the hour ("at least").

    \b
    watchkeeper availability
    watchkeeper availability hide-hub --since 365d --by month
    watchkeeper availability hide-hub --since 2026-11-01 --by day

    Exit codes: 0 done; 64 no service has this name; 66 there is no database.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    zone, now = known.host.zone, Clock().now()
    begin = since.at(zone) or now
    if begin >= now:
        raise click.UsageError("--since must be in the past")
    asyncio.run(_print(known, name, Asked(begin, now, Period(by) if by else None, zone), as_json=as_json))


async def _print(known: settings.Settings, name: str, asked: Asked, *, as_json: bool) -> None:
    async with opened(known) as store:
        found = await _services(store, name)
        for index, each in enumerate(found):
            # Nothing can have been measured before the first sample.
            since = max(asked.since, each.first_at)
            its = replace(asked, since=since)
            history = await store.answers(each, since, asked.until)
            if as_json:
                output.as_json(availability_form(each, history, (since, asked.until), its.period, asked.zone))
            elif name or len(found) == 1:
                if index:
                    output.blank()
                _one(each, history, its)
            else:
                whole = measured.availability(history, since.timestamp(), asked.until.timestamp())
                output.rows([(each.key.subject, [words.sentence(whole)])], most_left=40)


async def _services(store: Store, name: str) -> Sequence[Series]:
    """Every answering series whose subject or probe contains a name. Raises UsageError if there is none."""
    every = [each for each in await store.series() if each.kind is Kind.ANSWER]
    wanted = name.casefold()
    exact = [each for each in every if wanted in {each.key.subject.casefold(), each.probe.casefold()}]
    found = exact or [
        each for each in every if wanted in each.key.subject.casefold() or wanted in each.probe.casefold()
    ]
    if not found and name:
        known = ", ".join(clean(each.key.subject, 60) for each in every) or "none so far"
        raise click.UsageError(
            f'no service whose answers are measured has "{clean(name, 60)}" in its name; known: {known}'
        )
    if not found:
        raise click.UsageError("no service is monitored whose answers are measured")
    return found


def _one(series: Series, history: AnswerHistory, asked: Asked) -> None:
    zone, now, since = asked.zone, asked.until, asked.since
    output.heading(f"{clean(series.key.subject)}, since {instant(since, zone, now)}")
    table = [
        (
            words.period_name(asked.period, first),
            [words.sentence(measured.availability(history, a.timestamp(), b.timestamp()))],
        )
        for first, a, b in measured.periods(asked.period, since, now, zone)
    ]
    whole = measured.availability(history, since.timestamp(), now.timestamp())
    output.rows([*table, ("all of it", [words.sentence(whole)])], most_left=LEFT)
    if history.outages:
        output.heading("Outages")
        output.rows(_listed(history.outages, asked), most_left=LEFT)


def _listed(found: Sequence[Outage], asked: Asked) -> list[output.Row]:
    shown = [words.outage_words(each, asked.zone, asked.until) for each in found[-LISTED:]]
    more = [f"and {len(found) - LISTED} before them"] if len(found) > LISTED else []
    return [("", [*more, *shown])]
