"""Availability in words."""

from datetime import UTC, date, datetime, timedelta

import pytest

from watchkeeper.messages import availability as words
from watchkeeper.model.history.availability import Availability, Outage, Period

NOW = datetime(2026, 11, 30, 11, 0, tzinfo=UTC)


def found(measured_s: float, down_s: float, outages: int = 1, *, at_least: bool = False) -> Availability:
    """A day's sums."""
    return Availability(0, 86_400, measured_s, down_s, outages, at_least)


@pytest.mark.parametrize(
    ("measured", "said"),
    [
        (found(0, 0, 0), "nothing was measured"),
        (found(86_400, 0, 0), "always answered"),
        (found(43_200, 0, 0), "always answered; not measured for 12 h"),
        (found(86_400, 68), "no answer for 68 s, 1 outage; answered 99.92 %"),
        (found(86_390, 3_600, 3, at_least=True), "no answer for 1 h, at least 3 outages; answered 95.83 %"),
        (found(3_600, 3_600), "no answer for 1 h, 1 outage; answered 0.00 %; not measured for 23 h"),
    ],
)
def test_sentences(measured: Availability, said: str) -> None:
    """A short restart is not mentioned; a share below 1 is never shown as 100 %."""
    assert words.sentence(measured) == said


def test_a_share_is_rounded_down() -> None:
    """100 % means that every answer came."""
    assert [words.share(each) for each in (1.0, 0.999999, 0.5)] == ["100 %", "99.99 %", "50.00 %"]


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        (Period.DAY, "Mon 30 Nov 2026"),
        (Period.WEEK, "week 49 of 2026"),
        (Period.MONTH, "November 2026"),
        (Period.YEAR, "2026"),
    ],
)
def test_names_of_periods(kind: Period, name: str) -> None:
    """By their first day; weeks are those of ISO 8601."""
    assert words.period_name(kind, date(2026, 11, 30)) == name


def test_outages_with_their_true_times() -> None:
    """To the second; one that lasts has no end."""
    begin = (NOW - timedelta(minutes=27)).timestamp()
    assert (
        words.outage_words(Outage(begin + 3, begin + 71, 68), UTC, NOW)
        == "Mon 30 Nov 10:33:03 to Mon 30 Nov 10:34:11, 68 s"
    )
    assert words.outage_words(Outage(begin, None, 1590), UTC, NOW) == "since Mon 30 Nov 10:33:00, 27 min so far"


def test_what_was_seen_of_an_outage() -> None:
    """Why it was none, without signs that are not for people; and how long nobody looked."""
    begin = (NOW - timedelta(hours=3)).timestamp()
    seen = Outage(begin, begin + 7200, 3600, "connection refused")
    assert words.outage_words(seen, UTC, NOW) == (
        "Mon 30 Nov 08:00:00 to Mon 30 Nov 10:00:00, 2 h, not measured for 1 h of it: connection refused"
    )


def test_the_report_begins_with_the_worst() -> None:
    """The longest without an answer first, then by name."""
    lines = words.report({"b": found(86_400, 0, 0), "a": found(86_400, 0, 0), "c": found(86_400, 68)})
    assert [line.partition(":")[0] for line in lines] == ["c", "a", "b"]
