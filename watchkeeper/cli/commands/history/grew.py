"""`watchkeeper grew`: which parts of a level grew, from the database, or from a walk now.

Not here: the walk (privileged/tree_walk.py), and which growth explains another (alerting/top_growers.py).
"""

import asyncio
from collections.abc import Sequence
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.alerting.top_growers import Grower, parts_of, telling
from watchkeeper.cli import output
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.database import opened
from watchkeeper.cli.when import HELP, Moment, When
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.errors import ProbeError
from watchkeeper.messages.known_directories import said_of
from watchkeeper.messages.wording import amount, clean, instant, thing
from watchkeeper.model.observation import FILE_SYSTEM, Level, Observation, SeriesKey
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.filesystems import directories
from watchkeeper.probes.filesystems.directories import LastWalk
from watchkeeper.probes.support.tools import SOCKET, ask_root, text_of
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.store import Store

DAYS = 1.0
"""A part whose first reading is that much later than the others' did not exist before."""

INDENT = "  "


class Nothing(click.UsageError):
    """There is no such level."""


@click.command()
@configured
@click.argument("subject")
@click.option("--since", type=When(), default="7d", show_default=True, help=f"From then on. {HELP}")
@click.option("--now", "walk", is_flag=True, help="Walk the directories of a file system now; needs root.")
def grew(config: Path | None, subject: str, *, since: Moment, walk: bool) -> None:
    """Show which parts of SUBJECT grew: directories of a file system, datasets of a pool, volumes, guests' images.

    It compares the newest readings with those of --since. Directories are read once a day by a probe of the kind
    directories; --now reads them at once, which takes minutes for a million files and stores nothing.

    \b
    watchkeeper grew "file system /srv" --since Tue
    watchkeeper grew "pool skerry" --since 30d
    watchkeeper grew "file system /srv" --now

    Exit codes: 0 done, 64 there is no such level, 66 there is no database, 69 the directories cannot be read now.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    from_then = since.at(known.host.zone) or Clock().now() - timedelta(days=7)
    asyncio.run(_show(known, subject, from_then, walk=walk))


async def _show(known: settings.Settings, subject: str, since: datetime, *, walk: bool) -> None:
    async with opened(known) as store:
        seen: list[Observation] = [each.observation for each in await store.latest()]
        whole = next((each for each in seen if isinstance(each, Level) and _is(each, subject)), None)
        if whole is None:
            raise Nothing(f'no level of "{clean(subject, 60)}" is recorded; `watchkeeper status` lists what is')
        parts = parts_of(whole.key, seen)
        last = LastWalk()
        if walk:
            parts, last = await _walked(known, store, whole)
        zone, now = known.host.zone, Clock().now()
        before = await _used_at(store, whole.key, since)
        output.heading(f"{thing(whole.key)}, since {instant(since, zone, now)}")
        said = "No reading of then" if before is None else _more(whole.used - before, whole)
        output.paragraph(f"{said}; now {amount(whole.used, whole.unit)} of {amount(whole.capacity, whole.unit)}.")
        output.blank()
        rows = await _rows(store, whole, parts, since, last)
        if rows:
            output.rows(rows)
        else:
            output.paragraph(_why_none(whole, parts))


def _is(level: Level, subject: str) -> bool:
    return (
        level.part_of is None and level.key.subject.casefold() == subject.casefold() and level.key.quantity != "inodes"
    )


async def _rows(
    store: Store, whole: Level, parts: Sequence[Level], since: datetime, last: LastWalk
) -> list[output.Row]:
    """The parts that grew, the biggest first, each followed by those within it. last: the recorded walk, with --now."""
    growth = dict[SeriesKey, list[Grower]]()
    now = {each.key: each for each in parts}
    first = {each.key: each.first_at for each in await store.series()}
    begun = min((first[key] for key in now if key in first), default=since)
    for each in parts:
        before = await _used_at(store, each.key, max(since, begun))
        if each.key not in first and last.sizes:
            before = last.size(each.key.subject.removeprefix(directories.directory(_point(whole), "")))
        if before is None and first.get(each.key, begun) <= begun:
            continue
        if each.part_of is not None:
            growth.setdefault(each.part_of, []).append(Grower(each.key, each.used - (before or 0.0)))
    rows = list[output.Row]()

    def add(key: SeriesKey, depth: int) -> None:
        for found in telling(growth.get(key, ())):
            part = now[found.key]
            text = f"{INDENT * depth}{thing(found.key, 200)}{said_of(found.key)}, now {amount(part.used, part.unit)}"
            rows.append((f"{amount(found.growth, part.unit)} more", [text]))
            add(found.key, depth + 1)

    add(whole.key, 0)
    return rows


async def _used_at(store: Store, key: SeriesKey, at: datetime) -> float | None:
    """What was used at a time: the last reading up to then, or else the first one within a day after it."""
    before = await store.samples(key, at - timedelta(days=2), at)
    found = [each.value for each in before if each.value is not None]
    if found:
        return found[-1]
    after = await store.samples(key, at, at + timedelta(days=DAYS))
    return next((each.value for each in after if each.value is not None), None)


def _more(growth: float, of: Level) -> str:
    return f"{amount(abs(growth), of.unit)} {'more' if growth >= 0 else 'less'} than then"


def _why_none(whole: Level, parts: Sequence[Level]) -> str:
    if parts:
        return f"None of its {len(parts)} recorded parts has grown since then."
    if whole.key.subject.startswith(FILE_SYSTEM):
        return (
            'Which directory grew is not known: no probe records them. Add a [[probe]] of kind = "directories", or '
            "walk them now with --now."
        )
    return "Which part grew is not known: no probe records parts of it."


def _point(whole: Level) -> str:
    return whole.key.subject.removeprefix(FILE_SYSTEM)


async def _walked(known: settings.Settings, store: Store, whole: Level) -> tuple[list[Level], LastWalk]:
    """The directories as they are now, and the walk that is recorded. Raises ProbeError if they cannot be read."""
    if not whole.key.subject.startswith(FILE_SYSTEM):
        raise click.UsageError('--now walks the directories of a file system, such as "file system /srv"')
    probes = [each for each in known.probe if isinstance(each, directories.DirectoriesSettings)]
    helper = probes[0].helper if probes else SOCKET
    point, timeout_s = _point(whole), 90.0
    with closing(ThreadWorkers()) as workers:
        bench, name = ProbeContext(Clock(), workers), "trees-new"
        while True:
            results = await ask_root(bench, name, helper, timeout_s)
            trees = directories.understand([text_of(each.ran, "the walk", timeout_s) for each in results])
            name = "trees"
            if not trees.waiting or not trees.stored:
                break
            click.echo(f"watchkeeper: walking {clean(trees.waiting[0], 80)}", err=True)
    walked = trees.results.get(point)
    if walked is None or walked.error:
        raise ProbeError(f"{point} was not walked: {walked.error if walked else 'it is no local file system'}")
    last = await _recorded([each.label for each in probes], store, point)
    shown = directories.chosen(walked.sizes, last)
    return [each for each in directories.levels(point, walked, shown) if isinstance(each, Level)], last


async def _recorded(labels: Sequence[str], store: Store, point: str) -> LastWalk:
    """The walk of a file system that the probes recorded last."""
    last = LastWalk()
    for label in labels:
        text = await store.probe_states.read(label)
        seen = directories.DirectoriesSeen.model_validate_json(text) if text else directories.DirectoriesSeen()
        last = seen.last.get(point, last)
    return last
