"""`watchkeeper probe`: runs every probe one time and prints the results. Stores nothing, notifies nobody."""

import asyncio
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.alerting.rules import Rules
from watchkeeper.cli import output
from watchkeeper.cli.command_group import configured, ended, warn
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.clock import Clock
from watchkeeper.daemon import daemon
from watchkeeper.messages.wording import thing, time_left_phrase
from watchkeeper.model.alert import CONCERN
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation
from watchkeeper.web.api.json_forms import observation_form, stamp
from watchkeeper.web.dashboard.dashboard import NotObserved, not_observed
from watchkeeper.web.dashboard.dashboard_text import summary


@dataclass(frozen=True, slots=True)
class ProbeRun:
    """One observation, in words, and whether it needs the operator."""

    probe: str
    seen: Observation
    words: str
    needs_you: bool


@click.command()
@configured
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object: `ok`, and what each probe saw.")
@click.option("--unseen", is_flag=True, help="Print only what the probes could not look at, and why.")
def probe(config: Path | None, *, as_json: bool, unseen: bool) -> None:
    """Run every probe now and print the results. Nothing is stored and nobody is notified.

    One reading has no history: it shows what is full, overdue, faulty or not answering now, without a forecast.

    The object of --json: host, at, ok, and observations, each with probe, subject, quantity, kind, needs_you, text and
    the values of its kind as in the API.

    \b
    watchkeeper probe
    watchkeeper --config hide-hub.toml probe --json
    watchkeeper probe --unseen

    Exit codes: 0 everything is OK, 1 something is not, or a probe failed; with --unseen, 1 if anything is unseen.
    """  # noqa: D301  click reads \b as: keep the lines
    loaded = settings.read(config)
    for warning in loaded.warnings:
        warn(warning)
    known, now = loaded.settings, Clock().now()
    looks = asyncio.run(daemon.look_once(known))
    sights = [
        run_probe(watched.label, each, watched.rules, now, known.host.zone)
        for watched, observed, own in looks
        for each in (*observed, own)
    ]
    if unseen:
        show_unseen(tuple(not_observed(each.seen for each in sights)), as_json=as_json)
        return
    if as_json:
        output.as_json(_form(sights, known.host.label, now))
    else:
        show(sights)
    ended(Exit.NEEDS_YOU if any(each.needs_you for each in sights) else Exit.OK)


def run_probe(probe: str, seen: Observation, rules: Rules, now: datetime, zone: tzinfo) -> ProbeRun:
    """Evaluate one observation alone, with the probe's rules."""
    evaluator = SeriesEvaluator(seen.key, seen.kind, math.inf, rules, AlertBook())
    evaluator.take(seen, now)
    found = next((each for each in evaluator.evaluate(now) if each.concern is CONCERN[seen.kind]), None)
    if found is None:
        # A part of something larger, or something that may be full by design: recorded, but not evaluated.
        return ProbeRun(probe, seen, summary(seen) if isinstance(seen, Level) else "", needs_you=False)
    match seen:
        case Level():
            words, needs_you = summary(seen), seen.used >= seen.capacity
        case Deadline():
            words, needs_you = time_left_phrase(found, now, zone), False
        case Answer():
            words, needs_you = summary(seen), not seen.answered
        case Condition():
            words, needs_you = seen.reason or time_left_phrase(found, now, zone, seen), not seen.ok
    return ProbeRun(probe, seen, words, needs_you or found.priority is not None)


def show(sights: Sequence[ProbeRun]) -> None:
    """Print the observations, first those that need the operator."""
    troubled = [each for each in sights if each.needs_you]
    if troubled:
        output.heading("Needs you")
        output.rows(_rows(troubled))
        output.blank()
    quiet = [each for each in sights if not each.needs_you]
    output.heading("OK")
    output.rows(_rows(each for each in quiet if not _unjudged(each)))
    if any(map(_unjudged, quiet)):
        output.blank()
        output.heading("Not judged yet")
        output.rows(_rows(filter(_unjudged, quiet)))


def _unjudged(ran: ProbeRun) -> bool:
    return isinstance(ran.seen, Condition) and bool(ran.seen.unjudged)


def show_unseen(found: Sequence[NotObserved], *, as_json: bool) -> None:
    """Print what could not be looked at, by probe; the exit code is 1 if there is anything."""
    if as_json:
        output.as_json([{"probe": each.probe, "what": each.what, "reason": each.why} for each in found])
    elif found:
        output.rows((each.probe, [f"{each.what or 'everything'}: {each.why}"]) for each in found)
    else:
        output.paragraph("Every probe could look at everything that it is for.")
    ended(Exit.NEEDS_YOU if found else Exit.OK)


def _rows(sights: Iterable[ProbeRun]) -> Iterator[output.Row]:
    """A row for each probe, with a line for each of its observations."""
    by_probe: dict[str, list[str]] = {}
    for each in sights:
        by_probe.setdefault(each.probe, []).append(f"{thing(each.seen.key)}: {each.words}")
    yield from by_probe.items()


def _form(sights: Sequence[ProbeRun], host: str, now: datetime) -> dict[str, object]:
    observations = [
        {
            "probe": each.probe,
            "subject": each.seen.key.subject,
            "quantity": each.seen.key.quantity,
            "kind": each.seen.kind.value,
            "needs_you": each.needs_you,
            "text": each.words,
        }
        | observation_form(each.seen)
        for each in sights
    ]
    ok = not any(each.needs_you for each in sights)
    return {"host": host, "at": stamp(now), "ok": ok, "observations": observations}
