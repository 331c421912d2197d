"""The printed result of a backtest: the alerts that would have been raised, the outcome of each, and the picture.

Not here: the replay (alerting/backtest.py), the drawing (plot.py), the JSON (backtest.py).
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from shutil import get_terminal_size

import click

from watchkeeper.alerting.backtest import Evaluation
from watchkeeper.alerting.rules import instant
from watchkeeper.cli import output
from watchkeeper.cli.backtest.csv_history import Record
from watchkeeper.cli.backtest.plot import draw_svg, draw_text
from watchkeeper.cli.backtest.source import Source
from watchkeeper.errors import OutputError
from watchkeeper.messages import wording
from watchkeeper.messages.growth import describe
from watchkeeper.model.alert import NotificationKind, Transition
from watchkeeper.ownership.whole_file import write_whole

DATED = 21
"""Cells of an instant with its year."""
WIDEST = 110
"""Columns of the sketch at most."""
PICTURE_MODE = 0o644
"""A picture is made to be shown."""


def report(walked: Sequence[Evaluation], source: Source) -> None:
    """Print the alerts, a line with the outcome below each, and the sketch."""
    first, last = (datetime.fromtimestamp(s, UTC) for s in (source.record.at_s[0], source.record.at_s[-1]))
    span = wording.duration((last - first).total_seconds())
    count = len(source.record)
    samples = "1 sample" if count == 1 else f"{count:,} samples"
    output.heading(f"{wording.clean(source.key.subject)}: {samples} over {span}")
    output.blank()
    moves = [(each, move) for each in walked for move in each.transitions if move.notification]
    output.rows(
        ((wording.instant(move.at, source.zone, last), list(_lines(each, move, source))) for each, move in moves),
        most_left=DATED,
    )
    if not moves:
        output.paragraph("No alert would have been raised.")
    output.blank()
    click.echo(draw_text(source.record, walked, min(get_terminal_size().columns, WIDEST), source.zone))
    output.blank()
    zone = wording.zone_name(last, source.zone)
    output.paragraph(f"{_raised(moves)} Below the chart: c caution, w warning, A alarm. Times are {zone}.")


def _raised(moves: Sequence[tuple[Evaluation, Transition]]) -> str:
    count = sum(move.notification is NotificationKind.RAISED for _, move in moves)
    return f"{count} {'alert' if count == 1 else 'alerts'} raised."


def _lines(each: Evaluation, move: Transition, source: Source) -> Iterator[str]:
    """What was reported then, why, and what the outcome was."""
    yield f"{_notification(move)}: {_left(each, source)}"
    if growth := describe(each.forecast, source.unit, source.zone):
        yield growth
    yield _hindsight(each.at_s, source.record)


def _notification(move: Transition) -> str:
    before, after = (wording.priority_words(alert.priority) for alert in (move.before, move.after))
    match move.notification:
        case NotificationKind.RAISED:
            return f"{after} raised"
        case NotificationKind.ENDED:
            return f"{before} ended"
        case _:
            return f"{after}, after {before}"


def _left(each: Evaluation, source: Source) -> str:
    found = each.forecast
    if found.full:
        return "full"
    if found.no_end is not None:
        return wording.no_end_phrase(found.no_end)
    now = datetime.fromtimestamp(each.at_s, UTC)
    ends = [instant(at_s) for at_s in (found.earliest_s, found.latest_s)]
    early, late = (wording.moment(at, source.zone, now) if at else "never" for at in ends)
    return f"full in {wording.duration((found.likely_s or each.at_s) - each.at_s)} ({early} to {late})"


def _hindsight(at_s: float, record: Record) -> str:
    """What really happened, which only the later part of the record shows."""
    samples = zip(record.at_s, record.used, record.capacity, strict=True)
    full_s = next((at for at, used, capacity in samples if at >= at_s and used >= capacity), None)
    if full_s is None:
        return f"later: not full in the remaining {wording.duration(record.at_s[-1] - at_s)} of the record"
    return f"later: full after {wording.duration(full_s - at_s)}" if full_s > at_s else "later: full"


def draw(path: Path, walked: Sequence[Evaluation], source: Source) -> None:
    """Write the picture. Raises OutputError if it cannot be written."""
    drawing = draw_svg(source.record, walked, f"Backtest of {wording.clean(source.key.subject)}", source.zone)
    try:
        write_whole(path, drawing.encode(), PICTURE_MODE)
    except OSError as error:
        raise OutputError(
            f"the picture {path} cannot be written: {error.strerror}; "
            "name a file in a folder that exists and that you may write to"
        ) from None
