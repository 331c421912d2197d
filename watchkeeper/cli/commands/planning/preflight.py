"""`watchkeeper preflight`: is it safe to change this now? With --after: what did the change do?

Not here: the individual checks (planning/preflight/decide.py, planning/preflight/compare.py), and how their data is
gathered (inventory/preflight/preflight.py).
"""

import asyncio
import sys
from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import output
from watchkeeper.cli.backtest.backtest import Every
from watchkeeper.cli.command_group import configured, ended
from watchkeeper.cli.database import opened
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.cli.when import HELP, Moment, When
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.inventory.preflight.after_change import after_change as look_back
from watchkeeper.inventory.preflight.preflight import KEEP_S, Question
from watchkeeper.inventory.preflight.preflight import ready as look_ahead
from watchkeeper.inventory.scan import look
from watchkeeper.messages.wording import clean, duration, instant
from watchkeeper.planning.capacity.question import BadQuestion
from watchkeeper.planning.preflight import text as ready_wording
from watchkeeper.planning.preflight.decide import Point, PreflightAnswer, Verdict
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.store import Store
from watchkeeper.web.planning.preflight_json import preflight_form

AGAIN_S = 15.0
"""How often --wait checks again: services are asked and tools are run each time."""


@click.command()
@configured
@click.argument("subject")
@click.option("--keep", type=Every(), default="7d", show_default=True, help="How long its snapshot is kept.")
@click.option(
    "--snapshot-within",
    type=Every(),
    metavar="AGE",
    help="The maximum age of the newest snapshot. Default: the limit of its probe, otherwise 1d.",
)
@click.option(
    "--skip",
    multiple=True,
    type=click.Choice([each.value for each in Matter]),
    help="A check to skip; may be given more than once.",
)
@click.option(
    "--wait", type=Every(), metavar="TIME", help="Wait up to this long for failed checks that may still pass."
)
@click.option("--after", "afterwards", is_flag=True, help="The change was made: compare now with the hour before it.")
@click.option(
    "--since", type=When(), help=f"When it was made, for --after. {HELP} Default: the newest snapshot or restart."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object: `go`, and every check.")
def preflight(
    config: Path | None,
    *,
    subject: str,
    keep: float,
    snapshot_within: float | None,
    skip: tuple[str, ...],
    wait: float | None,
    afterwards: bool,
    since: Moment | None,
    as_json: bool,
) -> None:
    """Check whether it is safe to change SUBJECT now: go or no-go, with the reason of each check.

    SUBJECT is a guest, a service, a store such as "pool skerry", or this host by its name.

    Go needs all of these: a recent snapshot of every disk; a backup on another store that is not overdue (name its
    probe with backup_of); space for what a snapshot will hold, at the guest's write rate; no store that may become full
    while the snapshot is kept; no active alert on it or below it; services that answer; monitoring that is up to date.
    For this host it also says what a restart would not bring back: services that run and are not enabled, what is
    mounted and not in /etc/fstab or the other way round, guests that were started by hand, a newest kernel without
    initramfs or ZFS module, keys that somebody must type, pools that were imported by hand (--skip restart leaves that
    out). What cannot be checked is no-go. Nothing on the host is changed.

    With --after, the state now is compared with the hour before the change: whether the same services answer, as fast,
    with as much memory left, and whether there are new alerts.

    \b
    watchkeeper preflight hide-hub
    watchkeeper preflight hide-hub --wait 10m && upgrade-it
    watchkeeper preflight --after hide-hub
    watchkeeper preflight "pool skerry" --skip backup

    Exit codes: 0 go, 1 no-go, 64 nothing has this name, 66 there is no database.
    """  # noqa: D301  click reads \b as: keep the lines
    if since is not None and not afterwards:
        raise click.UsageError("--since is the time of a past change; use it with --after")
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    question = Question(subject, keep or KEEP_S, snapshot_within, frozenset(map(Matter, skip)))
    try:
        made_at = since.at(known.host.zone) if since else None
        answer = asyncio.run(_ask(known, question, wait or 0.0, made_at, afterwards=afterwards))
    except BadQuestion as error:
        raise click.UsageError(str(error)) from error
    if as_json:
        output.as_json({"host": known.host.label} | preflight_form(answer))
    else:
        show(answer, known)
    ended(Exit.OK if answer.go else Exit.NEEDS_YOU)


async def _ask(
    known: settings.Settings, question: Question, wait_s: float, since: datetime | None, *, afterwards: bool
) -> PreflightAnswer:
    """Compute the answer; repeat it while waiting is useful and time is left."""
    clock, workers = Clock(), ThreadWorkers()
    until_s = clock.monotonic_s() + wait_s
    try:
        async with opened(known) as store:
            bench = ProbeContext(clock, workers, store.probe_states, store.job_reports)
            while True:
                answer = await _once(known, question, store, bench, since, afterwards=afterwards)
                left_s = until_s - clock.monotonic_s()
                if not answer.worth_waiting or left_s <= 0:
                    return answer
                _say_waiting(answer, left_s)
                await asyncio.sleep(min(AGAIN_S, left_s))
    finally:
        workers.close()


async def _once(
    known: settings.Settings,
    question: Question,
    store: Store,
    bench: ProbeContext,
    since: datetime | None,
    *,
    afterwards: bool,
) -> PreflightAnswer:
    host = await look(known, bench)
    if afterwards:
        return await look_back(known, store, host, question, bench, since)
    return await look_ahead(known, store, host, question, bench)


def _say_waiting(answer: PreflightAnswer, left_s: float) -> None:
    """Print a line on the terminal that says what the command waits for."""
    if sys.stderr.isatty():
        names = ", ".join(dict.fromkeys(each.about for each in answer.hindrances))
        click.echo(f"watchkeeper: waiting for {clean(names, 120)}, for up to {duration(left_s)} more", err=True)


def show(answer: PreflightAnswer, known: settings.Settings) -> None:
    """Print the answer: first in one line, then the checks, failed ones first."""
    output.heading(f"{known.host.label}, {instant(answer.at, known.host.zone, answer.at)}")
    output.paragraph(ready_wording.verdict(answer, known.host.zone))
    output.blank()
    against = answer.hindrances
    if against:
        output.heading(ready_wording.against(answer))
        output.rows(_rows(against))
        output.blank()
    fine = [each for each in answer.points if each.verdict is Verdict.GO]
    if fine:
        output.heading(ready_wording.fine(answer))
        output.rows(_rows(fine))
        output.blank()
    if answer.unseen:
        output.heading("Not checked")
        output.paragraph("\n".join(f"- {clean(each, 400)}" for each in answer.unseen))
        output.blank()
    if answer.since is None:
        output.paragraph(ready_wording.CAUTION)


def _rows(points: Iterable[Point]) -> Iterator[output.Row]:
    """A row for each topic, with a line for each thing."""
    by_matter: dict[Matter, list[str]] = {}
    for each in points:
        mark = "" if each.verdict is not Verdict.UNKNOWN else "cannot tell: "
        by_matter.setdefault(each.matter, []).append(f"{clean(each.about, 90)}: {mark}{each.reason}")
    yield from ((matter.words, lines) for matter, lines in by_matter.items())
