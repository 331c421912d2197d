"""`watchkeeper status`: the current status, from the database. Order and wording are those of the status page."""

import asyncio
import contextlib
from collections import Counter
from collections.abc import AsyncIterator, Hashable, Iterable, Iterator
from dataclasses import dataclass
from datetime import timedelta, tzinfo
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.alerting.correlation.dependencies import Dependencies
from watchkeeper.cli import house, output
from watchkeeper.cli.command_group import configured, ended
from watchkeeper.cli.database import opened
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.forecast import scoring
from watchkeeper.manual.runbook import first_step
from watchkeeper.messages.delivery import stand_in, waiting
from watchkeeper.messages.delivery.maintenance import line
from watchkeeper.messages.forecast_record import record_line
from watchkeeper.messages.wording import clean, duration, instant, share, thing
from watchkeeper.model.forecast_record import RecordSummary
from watchkeeper.model.observation import Level
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.model.records import Delivery, Series
from watchkeeper.store import Store
from watchkeeper.web.api.json_forms import record_form, stand_ins_form, status_form, tree_form
from watchkeeper.web.dashboard import dashboard_text, house_state
from watchkeeper.web.dashboard.active_alert import ActiveAlert
from watchkeeper.web.dashboard.dashboard import Dashboard, OkSeries, Place, QuietSeries, build_dashboard
from watchkeeper.web.dashboard.house_state import Inside
from watchkeeper.web.dashboard.house_tree import Node, build_tree
from watchkeeper.web.events.event_text import outcome

STILL_INTERVALS = 3
"""No sample at all for so many intervals of the busiest probe: the daemon does not run. As in NotReportingRule."""

FOLLOW_S = 1.0
"""How often --follow checks whether anything was stored: a person watches it, and a check costs a few µs."""

AGED_S = 15.0
"""--follow reads the status again after this time even if nothing was stored: times left pass, and readings may have
stopped."""

SEARCHED = 1_000
"""Messages that are read to list those that wait."""

RULE = "-" * 72
"""Separates statuses printed one after the other into a pipe; fits 80 columns."""


@dataclass(frozen=True, slots=True)
class View:
    """The status at one moment. still: how long no sample has arrived, if that is too long.

    messages: those that wait for delivery, the next one first. planned: the maintenance that is under way. inside: what
    is inside the host. record: what became of the forecasts of all levels. tree: what is inside what.
    """

    board: Dashboard
    series: tuple[Series, ...]
    still: timedelta | None
    record: RecordSummary
    messages: tuple[Delivery, ...] = ()
    planned: tuple[Maintenance, ...] = ()
    inside: Inside = Inside()
    tree: tuple[Node, ...] = ()

    @property
    def needs_you(self) -> bool:
        """Whether anything needs the operator."""
        return bool(self.board.needing) or self.still is not None


@click.command()
@configured
@click.option("--follow", "-f", is_flag=True, help="Show it again when it changes, until Ctrl-C.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object: `Status` of the API, and `needs_you`.")
def status(config: Path | None, *, follow: bool, as_json: bool) -> None:
    """Show what needs you first, then everything that ends, ordered by the time left.

    It reads the database, so it works whether the daemon runs or not.

    The object of --json is `Status` of the API (active, acknowledged, shelved, rectified, time_left, ok, learning and
    their times) with needs_you, and without what only the daemon knows.

    With --follow, a terminal always shows the newest status. In a pipe, and with --json (one object a line), it is
    printed again when an alert, its state or a time left changes, not for new readings alone.

    \b
    watchkeeper status
    watchkeeper status --follow
    watchkeeper status --json | python3 -m json.tool

    Exit codes: 0 nothing needs you, or Ctrl-C ended --follow; 1 something needs you, or no readings arrive; 66 there is
    no database.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    if follow:
        with contextlib.suppress(KeyboardInterrupt):
            asyncio.run(_follow(known, as_json=as_json))
        return
    look = asyncio.run(_once(known))
    _print(look, known, as_json=as_json)
    ended(Exit.NEEDS_YOU if look.needs_you else Exit.OK)


async def _once(known: settings.Settings) -> View:
    async with opened(known) as store:
        return await _look(store, known)


async def _look(store: Store, known: settings.Settings) -> View:
    series = await store.series()
    latest, findings, alerts = await store.latest(), await store.findings(), await store.alerts()
    dependencies = Dependencies({each.label: each.dependencies for each in known.probes})
    for each in series:
        dependencies.place(each.key.subject, each.probe)
    for one in latest:
        dependencies.observe(one.observation, one.probe)
    found = build_dashboard(series, latest, findings, alerts, Clock().now(), dependencies.dependents_of)
    messages = waiting.waiting(await store.deliveries(limit=SEARCHED))
    planned = tuple(each for each in await store.maintenance() if each.until > found.at)
    inside = house_state.house(found, dependencies.dependents_of, known.host.zone)
    record = scoring.summary(await store.forecasts())
    tree = tuple(build_tree(found.items, dependencies.dependents_of))
    return View(found, tuple(series), stands_still(found, series), record, tuple(messages), planned, inside, tree)


async def _follow(known: settings.Settings, *, as_json: bool) -> None:
    drawn = output.is_screen() and not as_json
    if drawn:
        click.clear()
    async with opened(known) as store:
        shown: Hashable = None
        async for look in _looks(store, known):
            if drawn:
                with output.gathered() as lines:
                    _print(look, known)
                output.on_screen(lines)
            elif (said := summary(look)) != shown:
                if shown is not None and not as_json:
                    click.echo(RULE)
                _print(look, known, as_json=as_json)
                shown = said


async def _looks(store: Store, known: settings.Settings) -> AsyncIterator[View]:
    """The status now, and again whenever something was stored or it has aged. Never ends."""
    clock, version, looked_s = Clock(), -1, 0.0
    while True:
        newest = await store.data_version()
        if newest != version or clock.monotonic_s() - looked_s >= AGED_S:
            version, looked_s = newest, clock.monotonic_s()
            yield await _look(store, known)
        await asyncio.sleep(FOLLOW_S)


def summary(look: View) -> Hashable:
    """What makes this a different status for someone who reads one after the other; time passing alone does not."""
    found = look.board
    standing = [tuple(map(_gist_of, part)) for part in (found.needing, found.known, found.aside, found.over)]
    # A due date comes nearer on every read; a forecast is shown in rounded words that seldom change.
    places = [(p.finding.key, p.finding.concern, dashboard_text.left(p) if p.forecast else "") for p in found.places]
    quiet = [(each.key, each.why) for each in found.quiet]
    messages = [(each.id, each.tries) for each in look.messages]
    return look.still is None, tuple(standing), tuple(places), tuple(quiet), tuple(messages), look.planned


def _gist_of(each: ActiveAlert) -> Hashable:
    alert, reason = each.alert, each.finding.reason if each.finding else ""
    held = tuple(map(_gist_of, each.holds))
    return alert.key, alert.concern, alert.state, alert.priority, alert.shelved_until, reason, held


def _print(look: View, known: settings.Settings, *, as_json: bool = False) -> None:
    if as_json:
        output.as_json(_form(look, known))
    else:
        show(look.board, known.host.label, known.host.zone, look.still)
        house.show(known.host.label, look.inside)
        zone, now = known.host.zone, look.board.at
        _section("Maintenance, nothing is sent", (("", [line(each, zone, now)]) for each in look.planned))
        away = stand_in.ahead(known.stand_ins, now)
        _section("Stands in for you", (("", [stand_in.line(each, zone, now)]) for each in away))
        _waiting(look, zone)
        _judged(look.record)


def stands_still(found: Dashboard, series: Iterable[Series]) -> timedelta | None:
    """How long no sample has arrived at all, if that is too long; None if samples arrive, or none ever has."""
    if found.newest_at is None:
        return None
    shortest_s = min((each.interval_s for each in series), default=60.0)
    silent = found.at - found.newest_at
    return silent if silent.total_seconds() > STILL_INTERVALS * max(shortest_s, 1.0) else None


def _form(look: View, known: settings.Settings) -> dict[str, object]:
    first = {"host": known.host.label, "needs_you": look.needs_you, "forecast_record": record_form(look.record)}
    stand_ins = stand_ins_form(known.stand_ins, look.board.at)
    parts = {"tree": tree_form(look.tree, look.board), "stand_ins": stand_ins}
    return first | status_form(look.board, {each.key: each.id for each in look.series}) | parts


def show(found: Dashboard, host: str, zone: tzinfo, still: timedelta | None) -> None:
    """Print the status."""
    output.heading(f"{host}, {instant(found.at, zone, found.at)}")
    output.paragraph(_first_words(found, zone, still))
    for title, standing in (
        ("Needs you", found.needing),
        ("Acknowledged", found.known),
        (dashboard_text.aside_title(found), found.aside),
        ("Rectified, not acknowledged", found.over),
    ):
        _section(title, (_standing_row(each, found, zone) for each in standing))
    _section("Time left", (_place_row(each) for each in found.places))
    failing = [each for each in found.quiet if each.why is OkSeries.FAILING]
    _section("Failing, within limits", (_failing_row(each, found, zone) for each in failing))
    undated = (each for each in found.quiet if each.open and each.why is not OkSeries.FAILING)
    _section("No date yet", (_open_row(each, found, zone) for each in undated))
    if found.quiet:
        output.blank()
        _counted(found)


def _counted(found: Dashboard) -> None:
    """How many are OK, and of how many that is not known yet, by why."""
    for title, known in (("OK", True), ("Not known yet", False)):
        groups = Counter(each.why for each in found.quiet if each.why.known is known and not each.open)
        if groups:
            output.paragraph(f"{title}: {dashboard_text.well_line(list(groups.items()))}.")


def _waiting(look: View, zone: tzinfo) -> None:
    """The messages that have not been delivered yet: held for quiet hours, or to be tried again."""
    now, shown = look.board.at, look.messages[: waiting.LISTED]
    rows = [(each.notifier, [waiting.line(each, now, zone)]) for each in shown]
    if len(look.messages) > len(shown):
        rows.append(("", [f"and {len(look.messages) - len(shown)} more"]))
    _section("Messages that wait", iter(rows))


def _judged(record: RecordSummary) -> None:
    """How good the forecasts of all levels were, once the time of any has come."""
    if record.count:
        output.blank()
        output.paragraph(f"Forecasts so far: {record_line(record)}.")


def _first_words(found: Dashboard, zone: tzinfo, still: timedelta | None) -> str:
    words = [f"{dashboard_text.verdict(found, troubled=still is not None)}."]
    if still is not None:
        lasted = duration(still.total_seconds())
        words.append(f"No readings for {lasted}: check that `watchkeeper run` is running. Everything below is as old.")
    words.append(dashboard_text.by_when(found, zone) if found.newest_at else "No readings yet.")
    words.append(dashboard_text.unseen(found))
    return " ".join(filter(None, words))


def _section(title: str, found: Iterator[output.Row]) -> None:
    rows = list(found)
    if rows:
        output.blank()
        output.heading(title)
        output.rows(rows)


def _standing_row(each: ActiveAlert, found: Dashboard, zone: tzinfo) -> output.Row:
    alert = each.alert
    word = alert.priority.word if alert.priority else "rectified"
    return word, [line for line in _standing_lines(each, found, zone) if line]


def _standing_lines(each: ActiveAlert, found: Dashboard, zone: tzinfo) -> Iterator[str]:
    alert = each.alert
    interval = dashboard_text.interval_of(each.finding) if each.finding else ""
    name = thing(alert.key, seen=each.observation)
    yield f"{name}: {dashboard_text.fact(each, found, zone)}{f' ({interval})' if interval else ''}"
    if isinstance(each.observation, Level):
        yield dashboard_text.summary(each.observation)
    yield dashboard_text.why(each.finding, each.observation, zone)
    yield dashboard_text.since(alert, found, zone, each.finding)
    yield from (
        f"{thing(also.alert.key, seen=also.observation)}: {dashboard_text.fact(also, found, zone)}"
        for also in each.also
    )
    if each.consequences:
        yield outcome(each)
        yield from house.following(each)
    if alert.standing:
        yield f"What to look at: {first_step(alert.concern, alert.key, each.observation)}"
    if alert.shelved(found.at) and alert.shelved_until is not None:
        yield f"shelved until {instant(alert.shelved_until, zone, found.at)}"


def _failing_row(each: QuietSeries, found: Dashboard, zone: tzinfo) -> output.Row:
    """What fails, but not for as long as its limit."""
    since = each.finding.since if each.finding else None
    lasted = f" since {instant(since, zone, found.at)}" if since else ""
    return "", [f"{thing(each.key, seen=each.observation)}: {clean(dashboard_text.summary(each.observation))}{lasted}"]


def _open_row(each: QuietSeries, found: Dashboard, zone: tzinfo) -> output.Row:
    """A level that is nearly full or grows unusually fast, and has no date."""
    seen = each.observation
    used = share(seen.used / seen.capacity) if isinstance(seen, Level) else ""
    said = dashboard_text.growth_words(each, found.at, zone) if each.why is OkSeries.UNUSUAL else ""
    return used, [
        f"{thing(each.key, seen=seen)}: {each.why.value} {said}".strip()
        if said
        else f"{thing(each.key, seen=seen)}: {each.why.value}"
    ]


def _place_row(place: Place) -> output.Row:
    interval = dashboard_text.between(place.earliest_s, place.latest_s) if place.forecast else ""
    what = thing(place.finding.key, seen=place.observation)
    return dashboard_text.left(place), [f"{what} ({interval})" if interval else what]
