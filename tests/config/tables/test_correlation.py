"""The grouping table: when alerts are reported together."""

import tomllib
from pathlib import Path

import pytest

from watchkeeper import settings
from watchkeeper.alerting.correlation.group_alerts import Limits
from watchkeeper.config.tables.correlation import CorrelationSettings
from watchkeeper.errors import ConfigError


def test_without_a_word_the_limits_are_the_defaults() -> None:
    """The defaults are in one place."""
    assert CorrelationSettings().limits() == Limits()


def test_every_key_reaches_its_limit() -> None:
    """Values that differ from all defaults come out where they belong."""
    text = 'flood = 20\nflood_ends = 8\nflood_within = "5m"\nrecovery_time = "1m"'
    assert CorrelationSettings.model_validate(tomllib.loads(text)).limits() == Limits(20, 8, 300.0, 60.0)


def test_a_flood_that_would_end_as_it_begins_is_an_error(tmp_path: Path) -> None:
    """The keys must agree; the error names the table."""
    config = tmp_path / "config.toml"
    config.write_text("[grouping]\nflood = 4\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"grouping: flood_ends is 5, more than flood; write at most 4"):
        settings.load(config)
