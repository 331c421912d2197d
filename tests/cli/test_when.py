"""Words for points in time, read on a Friday at 14:30 in a zone whose clocks changed on 25 October."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import click
import pytest

from watchkeeper.cli.when import Moment, When
from watchkeeper.clock import Clock

PARIS = ZoneInfo("Europe/Paris")


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        ("2d", "2026-11-25T14:30+01:00"),
        ("2d ago", "2026-11-25T14:30+01:00"),
        ("3 days ago", "2026-11-24T14:30+01:00"),
        ("2 hours", "2026-11-27T12:30+01:00"),
        ("1 hour 30 minutes", "2026-11-27T13:00+01:00"),
        ("today", "2026-11-27T00:00+01:00"),
        ("Yesterday", "2026-11-26T00:00+01:00"),
        ("yesterday 14:05", "2026-11-26T14:05+01:00"),
        ("Tue", "2026-11-24T00:00+01:00"),
        ("tuesday 9:05", "2026-11-24T09:05+01:00"),
        ("Fri", "2026-11-27T00:00+01:00"),
        ("08:00", "2026-11-27T08:00+01:00"),
        ("23:00", "2026-11-26T23:00+01:00"),
        ("7:00:30", "2026-11-27T07:00:30+01:00"),
        ("2026-10", "2026-10-01T00:00+02:00"),
        ("2026-11-22", "2026-11-22T00:00+01:00"),
        ("2026-11-22 07:25", "2026-11-22T07:25+01:00"),
        ("2026-11-22T09:25+02:00", "2026-11-22T08:25+01:00"),
    ],
)
def test_each_way_to_write_it_means_one_time(words: str, meant: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Days begin in the host's zone, weekdays and times of day are the last ones."""
    now = datetime(2026, 11, 27, 13, 30, tzinfo=UTC)
    monkeypatch.setattr(Clock, "now", lambda _clock: now)
    assert When().convert(words, None, None).at(PARIS) == datetime.fromisoformat(meant)


def test_before_the_calendar_is_no_time() -> None:
    """Longer ago than the calendar goes: from the first record on."""
    assert Moment("9999999d").at(PARIS) is None


@pytest.mark.parametrize("words", ["soon", "last week", "2026-13", "25:00", "tu", "tuesdays", "Tue later", ""])
def test_other_words_are_refused_with_those_that_work(words: str) -> None:
    """The error names the value once, and every form."""
    with pytest.raises(click.BadParameter, match=r"is not a time; write how long ago \(2d\), a day") as error:
        When().convert(words, None, None)
    assert f'"{words}"' in error.value.message
