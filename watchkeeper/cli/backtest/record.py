"""`watchkeeper backtest --record`: what became of the forecasts that were shown, from the database or from a replay.

Not here: how a forecast is scored (forecast/scoring.py), and the words for it (messages/forecast_record.py).
"""

import asyncio
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

import click

from watchkeeper.alerting.backtest import replay
from watchkeeper.alerting.forecast_record import ForecastRecord
from watchkeeper.cli import output
from watchkeeper.cli.backtest.source import Source
from watchkeeper.forecast.scoring import summary
from watchkeeper.messages.forecast_record import record_line, width_line
from watchkeeper.messages.wording import instant, share, thing
from watchkeeper.model.forecast_record import KeptForecast, Outcome, RecordSummary
from watchkeeper.model.observation import SeriesKey
from watchkeeper.web.api.json_forms import record_form

if TYPE_CHECKING:
    from watchkeeper.settings import Settings

OUTCOMES = {
    Outcome.FILLED: "full",
    Outcome.PASSED: "range passed, not full",
    Outcome.CLEARED: "room was made",
    Outcome.ENLARGED: "capacity changed",
}


@dataclass(frozen=True, slots=True)
class Record:
    """The forecasts to show. width: of the ranges, by all of the host. each_one: show single forecasts too."""

    kept: Sequence[KeptForecast]
    width: float
    zone: tzinfo
    each_one: bool


def replayed(source: Source, every_s: float) -> Record:
    """The forecasts that a daemon would have kept over a record, and what became of them."""
    taken, record = source.record, ForecastRecord()
    walked = replay(
        taken.at_s, taken.used, taken.capacity, every_s, source.rules, source.key, source.unit, record=record
    )
    kept = {each.at: each for step in walked for each in step.kept}
    return Record(list(kept.values()), record.width, source.zone, each_one=True)


def stored(config: Path | None, subject: str | None) -> Record:
    """The forecasts in the database, of a subject or of all."""
    from watchkeeper import settings  # noqa: PLC0415  the database's packages, only if they are needed
    from watchkeeper.config.secrets import Secrets  # noqa: PLC0415  the same

    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    found, record = asyncio.run(_read(known)), ForecastRecord()
    record.restore(found)
    kept = [each for each in found if subject is None or each.key.subject == subject]
    if subject is not None and not kept:
        raise click.UsageError(f'no forecast of "{subject}" has been kept: leave out --subject to see all')
    return Record(kept, record.width, known.host.zone, each_one=subject is not None)


async def _read(known: "Settings") -> Sequence[KeptForecast]:
    from watchkeeper.cli.database import opened  # noqa: PLC0415  the same

    async with opened(known) as store:
        return await store.forecasts()


def show(record: Record) -> None:
    """Print the record of all together, a line for each series, and the single forecasts if they are asked for."""
    kept, by_key = record.kept, _by_key(record.kept)
    output.paragraph(f"{_sentence(summary(kept))}. {width_line(record.width)}")
    if len(by_key) > 1:
        output.blank()
        output.rows(((thing(key), [record_line(summary(own))]) for key, own in by_key.items()), most_left=44)
    if record.each_one and kept:
        now = max(each.at for each in kept)
        output.blank()
        rows = ((instant(each.at, record.zone, now), [_line(each, record.zone, now)]) for each in kept)
        output.rows(rows, most_left=21)


def _sentence(found: RecordSummary) -> str:
    line = record_line(found)
    return f"{line[:1].upper()}{line[1:]}"


def _by_key(kept: Iterable[KeptForecast]) -> dict[SeriesKey, list[KeptForecast]]:
    by_key: dict[SeriesKey, list[KeptForecast]] = {}
    for each in kept:
        by_key.setdefault(each.key, []).append(each)
    return by_key


def _line(each: KeptForecast, zone: tzinfo, now: datetime) -> str:
    """One forecast: what was said, and what became of it."""
    early, late = (_instant(at_s, zone, now) for at_s in (each.earliest_s, each.latest_s))
    said = f"full {_instant(each.likely_s, zone, now)} ({early} to {late})"
    if each.outcome is None or each.decided_at is None:
        return f"{said}; open"
    held = {True: "held", False: "missed", None: "not judged"}[each.held]
    error = "" if each.error is None else f", {share(each.error)} off"
    return f"{said}; {OUTCOMES[each.outcome]} {instant(each.decided_at, zone, now)}: {held}{error}"


def _instant(at_s: float | None, zone: tzinfo, now: datetime) -> str:
    return "never" if at_s is None else instant(datetime.fromtimestamp(at_s, UTC), zone, now)


def form(record: Record) -> dict[str, object]:
    """The same as JSON: for all together, and for each series."""
    by_key = _by_key(record.kept)
    own = [{"subject": key.subject, "quantity": key.quantity} | record_form(summary(of)) for key, of in by_key.items()]
    return record_form(summary(record.kept)) | {"range_width": record.width, "series": own}
