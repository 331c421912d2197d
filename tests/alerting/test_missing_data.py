"""How long a series has been missing, and when it is removed."""

from datetime import UTC, datetime, timedelta

from watchkeeper.alerting.missing_data import GONE, GONE_AFTER, HERE_AT_LEAST, Absence, is_gone
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import SeriesKey

START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
KEY = SeriesKey("guest tide-log", "state")


def count(absence: Absence, since: datetime, hours: int) -> datetime:
    """Let the probe run well once in an hour. Returns the last time."""
    for _ in range(hours):
        since += HOUR
        absence.count(since, 3 * HOUR)
    return since


def test_it_is_gone_after_a_week_and_not_before() -> None:
    """The first look only begins the count."""
    absence = Absence()
    at = count(absence, START, GONE_AFTER // HOUR)
    assert absence.for_good is False
    count(absence, at, 1)
    assert absence.for_good


def test_a_gap_does_not_count() -> None:
    """Neither a probe that did not run well for a month, nor a clock that was set back or forth."""
    absence = Absence()
    at = count(absence, START, 24)
    absence.count(at + 30 * DAY, 3 * HOUR)
    absence.count(at, 3 * HOUR)
    absence.bridge(-DAY)
    count(absence, at, 5 * 24)
    assert absence.for_good is False
    count(absence, at + 5 * DAY, 24 + 2)
    assert absence.for_good


def test_after_a_restart_the_alerts_age_counts_and_a_little_more_must_be_seen() -> None:
    """Nobody is told that it is gone by a watch that has hardly looked."""
    absence = Absence(before=10 * DAY)
    assert absence.for_good is False
    count(absence, START + 10 * DAY, 1 + HERE_AT_LEAST // HOUR)
    assert absence.for_good


def test_time_without_power_is_taken_off_the_alerts_age() -> None:
    """An alert of yesterday is not ten days old because the host was off."""
    absence = Absence(before=10 * DAY)
    absence.bridge(9 * DAY)
    at = count(absence, START + 10 * DAY, 6 * 24)
    assert absence.for_good is False
    count(absence, at, 1)
    assert absence.for_good


def test_the_finding_says_that_it_is_gone() -> None:
    """After a restart the stored finding shows that the series was removed, also one that 0.1.0 stored."""
    assert is_gone(Finding(KEY, Concern.NOT_REPORTING, START, None, reason=GONE))
    assert not is_gone(Finding(KEY, Concern.FAULTY, START, None, reason=GONE))
    assert not is_gone(Finding(KEY, Concern.NOT_REPORTING, START, Priority.WARNING, reason="no reading"))
    assert GONE == "no longer monitored: not seen for 7 days"
    assert is_gone(Finding(KEY, Concern.NOT_REPORTING, START, None, reason="gone for good: no longer seen for 7 days"))
    assert is_gone(Finding(KEY, Concern.NOT_REPORTING, START, None, reason="no longer watched"))
