"""`watchkeeper reclaim`: how much space deleting these snapshots would free. It deletes nothing."""

import asyncio
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import output
from watchkeeper.cli.backtest.backtest import Every
from watchkeeper.cli.command_group import configured, ended
from watchkeeper.cli.database import opened
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.errors import StoreError
from watchkeeper.inventory.reclaim.measure import Ask
from watchkeeper.inventory.reclaim.measure import reclaim as answered
from watchkeeper.messages.wording import clean, duration
from watchkeeper.planning.reclaim import text as words
from watchkeeper.planning.reclaim.snapshots import Candidate, Gain, ReclaimAnswer, StoreFreed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.web.planning.reclaim_json import reclaim_form

WIDEST_LEFT = 22
"""Cells for what is freed: `100 MiB to 999.9 MiB` fits."""


@click.command()
@configured
@click.argument("snapshot", nargs=-1)
@click.option(
    "--of", multiple=True, metavar="NAME", help="Only those of this dataset, volume, mount point or set of files."
)
@click.option("--older-than", type=Every(), metavar="AGE", help="Only those older than this, such as 30d.")
@click.option("--store", metavar="SUBJECT", help='Only those of this store, such as "pool skerry".')
@click.option(
    "--gain", type=Every(), metavar="TIME", help="Show which to delete to gain this much time until --store is full."
)
@click.option("--thin-out", is_flag=True, help="With --gain: delete those with close neighbours first, not the oldest.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object: stores, sets, gain and not_seen.")
def reclaim(
    config: Path | None,
    *,
    snapshot: tuple[str, ...],
    of: tuple[str, ...],
    older_than: float | None,
    store: str | None,
    gain: float | None,
    thin_out: bool,
    as_json: bool,
) -> None:
    """Show how much space deleting snapshots would free together. It deletes nothing and changes nothing on the host.

    SNAPSHOT is a complete name as the store's own tool prints it, or a pattern in quotes. Without any, every set of
    snapshots is listed with the space that it holds, the largest first. Snapshots must match all conditions given.

    For ZFS the figures are exact (a dry run by ZFS itself). For LVM thin pools, and for btrfs without quotas, a lower
    and an upper bound are shown, with the reason.

    With --gain it shows which snapshots to delete, the oldest first and no more than needed, so that the store's likely
    time to full moves by that much at the recorded growth. It never lists the newest of a set, the only one of its
    name, or one that cannot be deleted. SNAPSHOT, --of and --older-than limit the choice. With --thin-out the oldest
    stay longest; those go first whose removal widens the gaps least, relative to their age.

    \b
    watchkeeper reclaim
    watchkeeper reclaim "skerry/hide-hub@daily-1" "skerry/hide-hub@daily-2"
    watchkeeper reclaim "skerry/*@hourly-*" --older-than 7d
    watchkeeper reclaim --of skerry/nest-cams
    watchkeeper reclaim --gain 14d --store "pool skerry"

    Exit codes: 0 answered, 1 the time cannot be gained, or not for certain, 64 nothing has this name, 66 with --gain:
    there is no database, 69 no store could be read.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    if thin_out and gain is None:
        raise click.UsageError("--thin-out needs --gain with the time to gain, such as --gain 14d")
    answer = asyncio.run(_ask(Ask(snapshot, of, older_than, store, gain, thin_out), known))
    if answer.missing:
        raise click.UsageError(" ".join(words.missing_words(each, answer) for each in answer.missing))
    if as_json:
        output.as_json({"host": known.host.label} | reclaim_form(answer))
    else:
        show(answer)
    ended(_code(answer))


async def _ask(ask: Ask, known: settings.Settings) -> ReclaimAnswer:
    workers = ThreadWorkers()
    bench = ProbeContext(Clock(), workers)
    try:
        async with opened(known) as store:
            return await answered(ask, known, bench, store)
    except StoreError:
        if ask.gain_s is not None:
            raise
        return await answered(ask, known, bench, None)
    finally:
        workers.close()


def _code(answer: ReclaimAnswer) -> Exit:
    if answer.gain is not None:
        return Exit.OK if answer.gain.enough else Exit.NEEDS_YOU
    return Exit.UNAVAILABLE if answer.unseen and not answer.seen else Exit.OK


def show(answer: ReclaimAnswer) -> None:
    """Print the answer."""
    if answer.gain is not None:
        _show_gain(answer.gain, answer.at)
    elif answer.sets:
        _show_sets(answer)
    else:
        for each in answer.stores:
            _show_store(each, answer.at)
        if not answer.stores:
            output.paragraph(words.NONE)
    if answer.unseen:
        output.heading("Could not be read")
        output.paragraph("\n".join(f"- {clean(each, 400)}" for each in answer.unseen))
        output.blank()
    output.paragraph(words.NOTHING_DELETED)


def _show_sets(answer: ReclaimAnswer) -> None:
    for store in words.by_size(answer.stores):
        output.heading(words.held_words(store))
        held = [each for each in answer.sets if each.store == store.store]
        output.rows(((words.size_words(each.together.bounds), [words.set_words(each)]) for each in held), WIDEST_LEFT)
        if why := words.why_words(held):
            output.paragraph(why)
        output.blank()


def _show_store(found: StoreFreed, now: datetime) -> None:
    output.heading(clean(found.store.subject))
    output.rows(((f"{words.size_words(each.alone)} alone", [_aged(each, now)]) for each in found.chosen), WIDEST_LEFT)
    for line in words.together_lines(found):
        output.paragraph(line)
    _show_stuck("Cannot be deleted now", ((each, each.stuck) for each in found.stuck))
    output.blank()


def _show_gain(gain: Gain, now: datetime) -> None:
    for line in words.gain_lines(gain):
        output.paragraph(line)
    output.blank()
    if gain.drop:
        output.heading("Delete")
        output.rows(((f"{words.size_words(each.alone)} alone", [_aged(each, now)]) for each in gain.drop), WIDEST_LEFT)
        output.paragraph("; ".join(words.left_words(each, now) for each in gain.left) + ".")
        output.paragraph(f"{words.LATER} {words.BASES}")
        output.blank()
    _show_stuck("Not considered", gain.kept)
    if gain.kept:
        output.blank()


def _show_stuck(title: str, found: Iterable[tuple[Candidate, str]]) -> None:
    lines = [f"- {words.stuck_line(each, why)}" for each, why in found]
    if lines:
        output.heading(title)
        output.paragraph("\n".join(lines))


def _aged(each: Candidate, now: datetime) -> str:
    return f"{clean(each.name)}, {duration((now - each.made_at).total_seconds())} old"
