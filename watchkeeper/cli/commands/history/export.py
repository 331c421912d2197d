"""`watchkeeper export`: the history of quantities as CSV, in the operator's time zone and in readable units."""

import asyncio
import csv
import io
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, tzinfo
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli.command_group import configured, warn
from watchkeeper.cli.database import opened
from watchkeeper.cli.when import HELP, Moment, When
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.errors import OutputError
from watchkeeper.messages.wording import clean, condition_words, instant
from watchkeeper.model.observation import Kind, Unit
from watchkeeper.model.records import Sample, Series
from watchkeeper.ownership.whole_file import write_whole
from watchkeeper.store import Store

HEAD = ("time", "subject", "quantity", "value", "of", "unit")

GIB = 2.0**30


@click.command()
@configured
@click.argument("name")
@click.option("--since", type=When(), default="30d", show_default=True, help=f"From then on. {HELP}")
@click.option("--until", type=When(), help="Up to then, in the same words; default: now.")
@click.option(
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write to this file instead of printing. Replaces the file.",
)
def export(
    config: Path | None,
    name: str,
    *,
    since: Moment,
    until: Moment | None,
    output: Path | None,
) -> None:
    """Write the history of every quantity with NAME in its name as CSV, oldest first.

    Times are in the time zone of the host, with their offset. Levels are in GiB, in numbers, or in percent; due dates
    are times; response times are in seconds, and empty without an answer; conditions are words. Where samples are no
    longer kept, an hour or a day has its minimum and its maximum.

    \b
    watchkeeper export "pool skerry" --since 2026-11-01 --until 2026-12-01 --output november.csv
    watchkeeper export hide-hub --since 7d

    Exit codes: 0 done, 64 there is no such quantity, 66 there is no database, 73 the file cannot be written.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    zone, now = known.host.zone, Clock().now()
    window = since.at(zone) or now, (until.at(zone) if until else None) or now
    if window[0] >= window[1]:
        raise click.UsageError("--since must be before --until")
    text = asyncio.run(_table(known, name, window))
    if text.count("\n") == 1:
        warn(f"there is no reading from {instant(window[0], zone, now)} to {instant(window[1], zone, now)}")
    if output is None:
        click.echo(text, nl=False)
    else:
        _write(output, text)
        click.echo(f"wrote {output}", err=True)


def _write(path: Path, text: str) -> None:
    try:
        write_whole(path, text.encode())
    except OSError as error:
        raise OutputError(
            f"{path} cannot be written: {error.strerror}; name a file in a folder that exists and that you may write to"
        ) from None


async def _table(known: settings.Settings, name: str, window: tuple[datetime, datetime]) -> str:
    made = io.StringIO()
    table = csv.writer(made, lineterminator="\r\n")  # RFC 4180
    table.writerow(HEAD)
    async with opened(known) as store:
        for each in await _chosen(store, name):
            samples = await store.samples(each.key, *window)
            table.writerows(_row(each, sample, known.host.zone) for sample in samples)
    return made.getvalue()


async def _chosen(store: Store, name: str) -> Sequence[Series]:
    every, wanted = await store.series(), name.casefold()
    found = [each for each in every if wanted in str(each.key).casefold()]
    if not found:
        raise click.UsageError(f'no quantity has "{clean(name, 60)}" in its name; `watchkeeper status` lists them')
    return found


def _row(series: Series, sample: Sample, zone: tzinfo) -> tuple[str, ...]:
    at = datetime.fromtimestamp(sample.at_s, UTC).astimezone(zone).isoformat(sep=" ", timespec="seconds")
    return at, clean(series.key.subject), clean(series.key.quantity), *_cells(series, sample, zone)


def _cells(series: Series, sample: Sample, zone: tzinfo) -> Iterator[str]:
    """Value, capacity and unit."""
    value, bound = sample.value, sample.bound
    if series.kind is Kind.LEVEL:
        scale, unit = _SCALES[series.unit or Unit.COUNT]
        yield from ("" if each is None else f"{each / scale:.10g}" for each in (value, bound))
        yield unit
        return
    if series.kind is Kind.DEADLINE:
        due = None if value is None else datetime.fromtimestamp(value, UTC).astimezone(zone)
        yield from ("none found" if due is None else due.isoformat(sep=" ", timespec="seconds"), "", "due")
    elif series.kind is Kind.ANSWER:
        yield from ("" if value is None else f"{value:.4g}", "", "seconds")
    else:
        ok, faulty, _ = condition_words(series.key)
        yield from (ok if value == 1 else faulty, "", "")


_SCALES = {Unit.BYTES: (GIB, "GiB"), Unit.COUNT: (1.0, "number"), Unit.SHARE: (0.01, "%")}
