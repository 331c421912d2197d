"""The record of a host's, or a level's, forecasts in one line: how many held, how far off they were. Pure."""

from watchkeeper.messages.wording import share
from watchkeeper.model.forecast_record import RecordSummary

FEWEST = 10
"""With fewer forecasts whose time has come, a share says nothing: one more or less changes it by more than a tenth."""

LEAST = 0.01
"""A smaller error is less than the time between two samples can tell."""


def record_line(found: RecordSummary) -> str:
    """`of 41 forecasts whose time has come, 38 held; median error 12 %`, or that there are too few to say."""
    short = f"{_counted(found.cut_short, 'other')} ended early (room was made, or the capacity changed)"
    cut = short if found.cut_short else ""
    if found.count < FEWEST:
        had = f"{_counted(found.count, 'forecast')} so far" if found.count else "none so far"
        return "; ".join(filter(None, (f"too few forecasts whose time has come to judge them: {had}", cut)))
    error = "more than half passed without filling" if found.median_error is None else _error(found.median_error)
    held = f"of {found.count} forecasts whose time has come, {found.held} held"
    return "; ".join(filter(None, (held, error, _fills(found), cut)))


def _error(median: float) -> str:
    return f"median error {share(median) if median >= LEAST else f'under {share(LEAST)}'}"


def _fills(found: RecordSummary) -> str:
    if not found.fills:
        return ""
    times = "once" if found.fills == 1 else f"{found.fills} times"
    if found.warned == found.fills:
        return f"full {times}, {'each time ' if found.fills > 1 else ''}with a warning early enough"
    return f"full {times}, {found.warned} of them with a warning early enough"


def width_line(width: float) -> str:
    """How the record has changed the ranges that are shown."""
    if abs(width - 1) < 0.005:
        return "The 90 % ranges are as wide as calculated: the record has not changed them."
    change = "widened" if width > 1 else "narrowed"
    return f"By this record the 90 % ranges are {change}, to {width:.2f} times the calculated width."


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
