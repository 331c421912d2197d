"""`watchkeeper backtest`: which alerts the rules would have raised over a recorded history.

Starts without the daemon's packages when it replays a CSV with the default rules, because it is run many times while
rules are tuned. Not here: where the record comes from (source.py) and how the result is shown (report.py).
"""

import json
import sys
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import click

from watchkeeper.alerting.backtest import Evaluation, evaluations, replay
from watchkeeper.alerting.rules import instant
from watchkeeper.cli.backtest.source import Request, Source, find
from watchkeeper.cli.command_group import configured
from watchkeeper.model.units import parse_duration

LONG = 2_000
"""From this many evaluations on (about two seconds), a terminal gets a progress bar."""


class Every(click.ParamType[float]):
    """A duration in seconds, written as text."""

    name = "duration"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Parse it; it must be longer than 0."""
        try:
            seconds = parse_duration(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)
        if seconds <= 0:
            self.fail(f"{value!r} is not longer than 0; write a duration such as 1h", param, ctx)
        return seconds


@click.command()
@configured
@click.argument("file", required=False, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--subject", help="Use the history of this subject in the database instead of a file.")
@click.option("--quantity", default="space", show_default=True, help="The quantity of the subject.")
@click.option("--every", type=Every(), default="1h", show_default=True, help="Time from one evaluation to the next.")
@click.option(
    "--rules",
    "other",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A second configuration file; its [rules.full] overrides the rules in use.",
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.svg",
    help="Also draw the result as SVG.",
)
@click.option("--record", "scored", is_flag=True, help="Show what became of the forecasts, instead of alerts.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line, one for each evaluation.")
def backtest(
    config: Path | None,
    *,
    file: Path | None,
    subject: str | None,
    quantity: str,
    every: float,
    other: Path | None,
    picture: Path | None,
    scored: bool,
    as_json: bool,
) -> None:
    """Run the rules over a recorded history and show which alerts they would have raised. They never see later samples.

    FILE is a CSV file with the columns time (RFC 3339), used and capacity (plain numbers, such as bytes).

    The objects of --json: time, priority (null for none) and full (likely, earliest and latest; null for no end).

    --record shows the forecasts that were shown and are kept in the database, of all levels or of --subject: how many
    ranges held, how far off the likely times were, and whether warnings came early enough. With FILE it shows the
    forecasts that would have been kept over that history. With --json it prints one object.

    \b
    watchkeeper backtest skerry.csv
    watchkeeper backtest skerry.csv --rules stricter.toml --picture skerry.svg
    watchkeeper backtest --subject "pool skerry" --every 10m
    watchkeeper backtest --json --every 1h skerry.csv
    watchkeeper backtest --record

    Exit codes: 0 done, 65 FILE has the wrong format, 66 there is no such file or no database, 73 the picture cannot be
    written.
    """  # noqa: D301  click reads \b as: keep the lines
    if scored:
        _record(Request(config, file, subject, quantity, other), every, as_json=as_json)
        return
    source = find(Request(config, file, subject, quantity, other))
    steps = _shown(_walk(source, every), source, every)
    walked = [_printed(each) for each in steps] if as_json else list(steps)
    if as_json and picture is None:
        return
    from watchkeeper.cli.backtest import report  # noqa: PLC0415  rich and the wording, only for output that people read

    if not as_json:
        report.report(walked, source)
    if picture is not None:
        report.draw(picture, walked, source)


def _record(asked: Request, every_s: float, *, as_json: bool) -> None:
    from watchkeeper.cli.backtest import record  # noqa: PLC0415  only where it is asked for

    found = record.stored(asked.config, asked.subject) if asked.file is None else record.replayed(find(asked), every_s)
    if as_json:
        click.echo(json.dumps(record.form(found), allow_nan=False))
    else:
        record.show(found)


def _walk(source: Source, every_s: float) -> Iterator[Evaluation]:
    record = source.record
    return replay(record.at_s, record.used, record.capacity, every_s, source.rules, source.key, source.unit)


def _shown(steps: Iterable[Evaluation], source: Source, every_s: float) -> Iterable[Evaluation]:
    """The same evaluations, with a progress bar on the terminal if there are many."""
    count = evaluations(source.record.at_s, every_s)
    if count < LONG or not sys.stderr.isatty():
        return steps
    from rich.console import Console  # noqa: PLC0415  only for the progress bar
    from rich.progress import track  # noqa: PLC0415  the same

    return track(steps, "Evaluating", total=count, console=Console(stderr=True), transient=True)


def _printed(each: Evaluation) -> Evaluation:
    """Print one evaluation; RFC 8259."""
    found = each.forecast
    full = {"likely": found.likely_s, "earliest": found.earliest_s, "latest": found.latest_s}
    line = {
        "time": datetime.fromtimestamp(each.at_s, UTC).isoformat().replace("+00:00", "Z"),
        "priority": each.priority.word if each.priority else None,
        "full": {name: _stamp(at_s) for name, at_s in full.items()},
    }
    click.echo(json.dumps(line, allow_nan=False))
    return each


def _stamp(at_s: float | None) -> str | None:
    """RFC 3339 in UTC; None if there is no end, or an end beyond what datetime can represent."""
    at = instant(at_s)
    return None if at is None else at.isoformat().replace("+00:00", "Z")
