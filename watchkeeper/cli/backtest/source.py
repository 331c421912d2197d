"""The input of a backtest: the record, its name and unit, and the present rules.

Imports the configuration's packages only if there is a configuration to read: most backtests need none, and are run
many times. Not here: reading a CSV (csv_history.py) or the database (stored_history.py).
"""

import os
from dataclasses import dataclass
from datetime import UTC, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

import click

from watchkeeper.alerting.rules import Rules
from watchkeeper.cli.backtest.csv_history import Record, read_csv
from watchkeeper.model.observation import SeriesKey, Unit

if TYPE_CHECKING:
    from watchkeeper.settings import Settings


@dataclass(frozen=True, slots=True)
class Source:
    """A record with the name, unit and rules that go with it. zone: the time zone in which its times are shown."""

    record: Record
    key: SeriesKey
    unit: Unit
    rules: Rules
    zone: tzinfo


@dataclass(frozen=True, slots=True)
class Request:
    """The command's input: a file or a subject, and another file of rules."""

    config: Path | None
    file: Path | None
    subject: str | None
    quantity: str
    other: Path | None


def find(asked: Request) -> Source:
    """Read what was requested. Raises InputError, ConfigError, StoreError and click.UsageError."""
    if asked.file is not None and asked.subject is None:
        known = _settings(asked.config)
        record, key, zone = read_csv(asked.file), SeriesKey(asked.file.stem, "space"), known.host.zone if known else UTC
        return Source(record, key, Unit.BYTES, _rules(known, asked.other, probe=""), zone)
    if asked.subject is not None and asked.file is None:
        return _from_database(asked, SeriesKey(asked.subject, asked.quantity))
    raise click.UsageError("name a CSV file, or give --subject for a history in the database")


def _from_database(asked: Request, key: SeriesKey) -> Source:
    from watchkeeper import settings  # noqa: PLC0415  the database's packages, only if they are needed
    from watchkeeper.cli.backtest.stored_history import from_database  # noqa: PLC0415  the same
    from watchkeeper.config.secrets import Secrets  # noqa: PLC0415  the same

    known = settings.read(asked.config, secrets=Secrets.LEFT_ALONE).settings
    stored = from_database(known, key)
    return Source(stored.record, key, stored.unit, _rules(known, asked.other, stored.probe), known.host.zone)


def _settings(config: Path | None) -> "Settings | None":
    """The configuration; None if there is none to read, in which case the defaults apply."""
    from watchkeeper.config.paths import config_places  # noqa: PLC0415  not needed for the other source

    set_here = any(name.startswith("WATCHKEEPER_") and name != "WATCHKEEPER_CONFIG" for name in os.environ)
    if config is None and not set_here and not any(map(_there, config_places())):
        return None
    from watchkeeper import settings  # noqa: PLC0415  the daemon's packages, only if there is something to read
    from watchkeeper.config.secrets import Secrets  # noqa: PLC0415  the same

    return settings.read(config, secrets=Secrets.LEFT_ALONE).settings


def _there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:  # a folder on the path may not be entered
        return False


def _rules(known: "Settings | None", other: Path | None, probe: str) -> Rules:
    """The present rules (a probe's own if the history comes from a probe), with another file's on top."""
    if known is None and other is None:
        return Rules()
    from watchkeeper.config.tables.rules import RulesSettings  # noqa: PLC0415  only if rules are configured

    present = RulesSettings()
    if known is not None:
        own = next((each.rules for each in known.probes if each.label == probe), RulesSettings())
        present = own.over(known.rules)
    if other is not None:
        from watchkeeper.cli.backtest.overrides import laid_over  # noqa: PLC0415  only if there is another file

        present = laid_over(other, present)
    return present.rules()
