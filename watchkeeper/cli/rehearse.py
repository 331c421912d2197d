"""`watchkeeper rehearse`: what the rules would have told, had they watched over a recorded history.

Starts without the daemon's packages where a CSV is walked with the default rules, because it is run many times while
rules are tuned. Not here: the walk (core/rehearsal.py), the reading of a CSV (record.py), the picture (picture.py).
"""

import os
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from shutil import get_terminal_size
from typing import TYPE_CHECKING

import click

from watchkeeper.cli.group import configured
from watchkeeper.cli.record import BadRecord, Record, read_csv
from watchkeeper.core.alerts import Telling, Transition
from watchkeeper.core.observation import SeriesKey, Unit
from watchkeeper.core.rehearsal import Evaluation, rehearse as walk
from watchkeeper.core.rules import Rules, instant
from watchkeeper.core.units import parse_duration

if TYPE_CHECKING:
    from watchkeeper.settings import Settings

DATED = 21
"""Cells of an instant with its year."""
WIDEST = 110
"""Columns of the sketch at most."""
LONG = 2_000
"""Evaluations from which on a terminal is shown how far it is: about two seconds."""


class Every(click.ParamType[float]):
    """A duration in seconds, written as text."""

    name = "duration"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read it; it must be longer than nothing."""
        try:
            seconds = parse_duration(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)
        if seconds <= 0:
            self.fail(f"{value!r} is no time at all; write a duration such as 1h", param, ctx)
        return seconds


@dataclass(frozen=True, slots=True)
class Source:
    """A record with the name, unit and rules that go with it. zone: in which its times are told."""

    record: Record
    key: SeriesKey
    unit: Unit
    rules: Rules
    zone: tzinfo


@click.command()
@configured
@click.argument("file", required=False, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--subject", help="Take the history of this subject from the database instead of a file.")
@click.option("--quantity", default="space", show_default=True, help="Which quantity of the subject.")
@click.option("--every", type=Every(), default="1h", show_default=True, help="Time from one evaluation to the next.")
@click.option(
    "--rules", "other", type=click.Path(path_type=Path), metavar="FILE",
    help="A second configuration file: what its [rules.full] sets goes before the present rules.",
)  # fmt: skip
@click.option("--picture", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE.svg", help="Draw it as SVG.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line for each evaluation.")
def rehearse(
    config: Path | None,
    file: Path | None,
    subject: str | None,
    quantity: str,
    every: float,
    other: Path | None,
    picture: Path | None,
    *,
    as_json: bool,
) -> None:
    """Walk the rules through a recorded history, never looking ahead, and tell which alerts they would have raised.

    FILE is a CSV with the columns time (RFC 3339), used and capacity (plain numbers, such as bytes).

    \b
    watchkeeper rehearse skerry.csv
    watchkeeper rehearse skerry.csv --rules stricter.toml --picture skerry.svg
    watchkeeper rehearse --subject "pool skerry" --every 10m
    watchkeeper rehearse --json --every 1h skerry.csv

    Exit codes: 0 fine, 2 wrong use, a record or a configuration that cannot be used, 3 there is no database to read.
    """  # noqa: D301  click reads \b as: keep the lines
    source = _source(config, file, subject, quantity, other)
    steps = _walk(source, every)
    if as_json:
        _print_json(steps, source, picture)
        return
    walked = list(_shown(steps, source, every))
    _tell(walked, source)
    if picture is not None:
        _draw(picture, walked, source)


def _source(config: Path | None, file: Path | None, subject: str | None, quantity: str, other: Path | None) -> Source:
    if (file is None) == (subject is None):
        raise click.UsageError("name a CSV file, or a --subject whose history is in the database")
    known = _settings(config, needed=subject is not None)
    zone: tzinfo = UTC if known is None else known.host.zone
    if file is not None:
        record = read_csv(file)
        return Source(record, SeriesKey(file.stem, "space"), Unit.BYTES, _rules(known, other), zone)
    from watchkeeper.cli.recorded import from_database  # the database's packages, only where they are needed

    assert known is not None and subject is not None
    stored = from_database(known, SeriesKey(subject, quantity))
    return Source(stored.record, SeriesKey(subject, quantity), stored.unit, _rules(known, other, stored.probe), zone)


def _settings(config: Path | None, *, needed: bool) -> "Settings | None":
    """The configuration; None where there is none to read and the defaults will do."""
    from watchkeeper.config.places import config_places

    set_here = any(n.startswith("WATCHKEEPER_") and n != "WATCHKEEPER_CONFIG" for n in os.environ)
    if config is None and not needed and not set_here and not any(_there(p) for p in config_places()):
        return None
    from watchkeeper import settings
    from watchkeeper.config.secrets import Secrets

    return settings.read(config, secrets=Secrets.LEFT_ALONE).settings


def _there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:  # a folder on the way that may not be entered
        return False


def _rules(known: "Settings | None", other: Path | None, probe: str = "") -> Rules:
    """The present rules (a probe's own where the history is a probe's), with another file's on top."""
    if known is None and other is None:
        return Rules()
    from watchkeeper.config.rules import RulesSettings

    present = RulesSettings()
    if known is not None:
        own = next((each.rules for each in known.probes if each.label == probe), RulesSettings())
        present = own.over(known.rules)
    if other is not None:
        from watchkeeper.cli.overrides import laid_over

        present = laid_over(other, present)
    return present.rules()


def _walk(source: Source, every_s: float) -> Iterator[Evaluation]:
    record = source.record
    return walk(record.at_s, record.used, record.capacity, every_s, source.rules, source.key, source.unit)


def _shown(steps: Iterator[Evaluation], source: Source, every_s: float) -> Iterator[Evaluation]:
    """The same evaluations, with a bar on the terminal where there are many."""
    at = source.record.at_s
    count = int((at[-1] - at[0]) / every_s) + 1
    if count < LONG or not sys.stderr.isatty():
        yield from steps
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(steps, "Rehearsing", total=count, console=Console(stderr=True), transient=True)


def _print_json(steps: Iterator[Evaluation], source: Source, picture: Path | None) -> None:
    import json

    walked = []
    for each in steps:
        found = each.forecast
        full = {"likely": found.likely_s, "earliest": found.earliest_s, "latest": found.latest_s}
        line = {
            "time": _stamp(each.at_s),
            "priority": each.priority.word if each.priority else None,
            "full": {name: _stamp(at_s) for name, at_s in full.items()},
        }
        click.echo(json.dumps(line))
        if picture is not None:
            walked.append(each)
    if picture is not None:
        _draw(picture, walked, source)


def _stamp(at_s: float | None) -> str | None:
    """RFC 3339 in UTC; None where there is no end, or none that a calendar holds."""
    at = instant(at_s)
    return None if at is None else at.isoformat().replace("+00:00", "Z")


def _tell(walked: Sequence[Evaluation], source: Source) -> None:
    from watchkeeper.cli import output
    from watchkeeper.core import wording

    moves = [(each, move) for each in walked for move in each.transitions if move.telling]
    first, last = (datetime.fromtimestamp(s, UTC) for s in (source.record.at_s[0], source.record.at_s[-1]))
    span = wording.duration((last - first).total_seconds())
    output.heading(f"{wording.clean(source.key.subject)}: {len(source.record):,} samples over {span}")
    output.blank()
    zone = source.zone
    output.rows(((wording.instant(m.at, zone, last), _lines(each, m, source)) for each, m in moves), most_left=DATED)
    if not moves:
        output.paragraph("No alert would have been raised.")
    raised = sum(move.telling is Telling.RAISED for _, move in moves)
    output.blank()
    click.echo(_sketch(walked, source))
    output.blank()
    output.paragraph(f"{raised} raised. Times are {wording.zone_name(last, zone)}. c caution, w warning, A alarm.")


def _sketch(walked: Sequence[Evaluation], source: Source) -> str:
    from watchkeeper.cli.picture import sketch

    return sketch(source.record, walked, min(get_terminal_size().columns, WIDEST), source.zone)


def _lines(each: Evaluation, move: Transition, source: Source) -> list[str]:
    """What was told then, why, and what became of it."""
    from watchkeeper.core import wording
    from watchkeeper.core.growth import describe

    found, now, zone = each.forecast, move.at, source.zone
    what = move.telling.value if move.telling else ""
    priority = wording.priority_words(move.after.priority or move.before.priority)
    told = [f"{priority} {what}: {_left(each, zone)}"]
    growth = describe(found, source.unit, zone)
    if growth:
        told.append(growth)
    return [*told, _hindsight(each.at_s, source.record, now)]


def _left(each: Evaluation, zone: tzinfo) -> str:
    from watchkeeper.core import wording

    found = each.forecast
    if found.used >= found.capacity:
        return "full"
    if found.likely_s is None:
        return wording.no_end_phrase(found.no_end) if found.no_end else "no end in sight"
    now = datetime.fromtimestamp(each.at_s, UTC)
    early, late = instant(found.earliest_s), instant(found.latest_s)
    between = (
        f"{wording.moment(early, zone, now) if early else ''} to {wording.moment(late, zone, now) if late else 'never'}"
    )
    return f"full in {wording.duration(found.likely_s - each.at_s)} ({between})"


def _hindsight(at_s: float, record: Record, now: datetime) -> str:
    """The truth that only the record's later part knows."""
    from watchkeeper.core import wording

    samples = zip(record.at_s, record.used, record.capacity, strict=True)
    full_s = next((at for at, used, capacity in samples if at >= at_s and used >= capacity), None)
    if full_s is None:
        return f"in hindsight: not full in the {wording.duration(record.at_s[-1] - now.timestamp())} that were left"
    return f"in hindsight: full {wording.duration(full_s - at_s)} later" if full_s > at_s else "in hindsight: full"


def _draw(path: Path, walked: Sequence[Evaluation], source: Source) -> None:
    from watchkeeper.cli.picture import svg

    drawing = svg(source.record, walked, f"Rehearsal of {source.key.subject}", source.zone)
    try:
        path.write_text(drawing, encoding="utf-8")
    except OSError as error:
        raise BadRecord(f"{path}: the picture cannot be written: {error.strerror}; name a place that can") from None
