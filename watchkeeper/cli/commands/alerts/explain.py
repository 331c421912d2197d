"""`watchkeeper explain`: why something was or was not sent about a subject, now and in the past 14 days."""

import asyncio
from collections.abc import AsyncIterator, Sequence
from datetime import datetime, timedelta, tzinfo
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.alerting.explain import steps_of
from watchkeeper.alerting.rules import Rules
from watchkeeper.cli import output
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.commands.history.events import DATED
from watchkeeper.cli.database import opened
from watchkeeper.cli.subjects import subject_named
from watchkeeper.cli.when import HELP, Moment, When
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.manual.runbook import first_step, runbook
from watchkeeper.messages.delivery import waiting
from watchkeeper.messages.delivery.explained import deliveries_of, explained, route_words
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.messages.wording import clean, instant
from watchkeeper.model.alert import CONCERN, Alert
from watchkeeper.model.records import Delivery, Entry, EventLine, Seen, Series
from watchkeeper.store import Store
from watchkeeper.web.api.decisions import decision_form

PAGE = 500
"""Event log lines that are read at once."""


@click.command()
@configured
@click.argument("name", metavar="SUBJECT", help="The subject's name, or a part of it.")
@click.option(
    "--since", type=When(), default="14d", show_default=True, help=f"From then on; older reasons are deleted. {HELP}"
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object for each decision, as in the API.")
def explain(config: Path | None, name: str, *, since: Moment, as_json: bool) -> None:
    """Explain why something was or was not sent about SUBJECT, for each notifier.

    First what the rules decide now, what to do about what is active, and what each notifier would get; then every
    decision of the past 14 days, the newest last: what was observed, the limits, what they called for, the state of the
    alert, what kept a message back, and what each notifier got. It reads the database, so it needs no restart and works
    whether the daemon runs or not.

    \b
    watchkeeper explain "pool skerry"
    watchkeeper explain hide-hub --since 2d

    Exit codes: 0 done, 64 there is no such subject, or several, 66 there is no database.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    asyncio.run(_print(known, name, since.at(known.host.zone), as_json=as_json))


async def _print(known: settings.Settings, name: str, since: datetime | None, *, as_json: bool) -> None:
    async with opened(known) as store:
        now, zone = Clock().now(), known.host.zone
        subject = await subject_named(store, name)
        decisions = await store.decisions(subject, since or now - timedelta(days=14))
        if as_json:
            ids = {each.key: each.id for each in await store.series()}
            for each in decisions:
                output.as_json(decision_form(each, ids))
            return
        output.heading(f"{clean(subject)}, {instant(now, zone, now)}")
        await _present(store, known, subject, now)
        lines = await _deliveries(store, subject, decisions[0].at if decisions else now)
        output.blank()
        output.heading("Decisions")
        found = explained(decisions, deliveries_of(lines), zone, now)
        rows = [(instant(each.at, zone, now), [each.title, *each.steps, *each.sent]) for each in found]
        output.rows(rows or [("", ["nothing about it called for an alert in this time"])], most_left=DATED)


async def _present(store: Store, known: settings.Settings, subject: str, now: datetime) -> None:
    """What the rules decide now, about each of its series, and what each notifier would get."""
    series = [each for each in await store.series() if each.key.subject == subject]
    alerts = [each for each in await store.alerts() if each.key.subject == subject]
    output.rows([row async for row in _rules(store, known, series, alerts)], most_left=DATED)
    _to_do([each for each in alerts if each.standing], await store.latest())
    output.blank()
    output.heading("What each notifier would get now")
    rows = [(each.label, [_route(known, each.label, one, now) for one in series[:1]]) for each in known.notifiers]
    output.rows(rows or [("", ["no notifier is configured"])], most_left=DATED)
    _waiting([each for each in await store.deliveries() if each.message.key.subject == subject], now, known.host.zone)


def _to_do(active: Sequence[Alert], latest: Sequence[Seen]) -> None:
    """The runbook's entry of each active alert, with the names of what it is about."""
    newest = {each.observation.key: each.observation for each in latest}
    rows = []
    for each in active:
        entry = runbook().find(each.concern, each.key)
        lines = [first_step(each.concern, each.key, newest.get(each.key))]
        lines += [f"{entry.named(command, each.key)}: {shows}" for command, shows in entry.commands]
        rows.append((clean(each.key.quantity), [*lines, entry.named(entry.helps, each.key)]))
    if rows:
        output.blank()
        output.heading("What to do")
        output.rows(rows, most_left=DATED)


def _waiting(deliveries: Sequence[Delivery], now: datetime, zone: tzinfo) -> None:
    found = waiting.waiting(deliveries)
    if found:
        output.blank()
        output.heading("Messages that wait")
        output.rows([(each.notifier, [waiting.line(each, now, zone)]) for each in found], most_left=DATED)


def _route(known: settings.Settings, notifier: str, series: Series, now: datetime) -> str:
    route = known.routes.get(notifier) or Route(zone=known.host.zone)
    return route_words(route, series.key, CONCERN[series.kind], now)


async def _rules(
    store: Store, known: settings.Settings, series: Sequence[Series], alerts: Sequence[Alert]
) -> AsyncIterator[output.Row]:
    rules = {each.label: known.rules_for(each) for each in known.probes}
    latest = {each.observation.key: each.observation for each in await store.latest()}
    found = {(each.key, each.concern): each for each in await store.findings()}
    raised = {(each.key, each.concern): each for each in alerts}
    for each in series:
        place = each.key, CONCERN[each.kind]
        if place in found:
            alert = raised.get(place, Alert(*place))
            limits = rules.get(each.probe, Rules())
            yield clean(each.key.quantity), steps_of(found[place], latest.get(each.key), limits, alert, known.host.zone)


async def _deliveries(store: Store, subject: str, since: datetime) -> list[EventLine]:
    """The event log lines about deliveries of messages about a subject, oldest first."""
    found: list[EventLine] = []
    before: int | None = None
    while True:
        page = await store.events(entry=Entry.DELIVERY, since=since, before_id=before, limit=PAGE)
        found += [each for each in page if each.key is not None and each.key.subject == subject]
        if len(page) < PAGE:
            return found[::-1]
        before = page[-1].id
