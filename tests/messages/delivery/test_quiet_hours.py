"""Quiet hours and times of the day, across nights in which the clocks are set."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.messages.delivery.quiet_hours import Due, Span, leaves_time, parse_due, parse_span, quiet_until

# Both set their clocks; the second by half an hour, and at two in the morning of its own.
CET, LORD_HOWE = ZoneInfo("Europe/Berlin"), ZoneInfo("Australia/Lord_Howe")
NIGHT = (parse_span("22:00-07:00"),)


def utc(text: str) -> datetime:
    """An instant."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_a_night_ends_in_the_morning() -> None:
    """Within it the end is the morning's; outside it is now."""
    assert quiet_until(NIGHT, utc("2026-11-24 22:30"), CET) == utc("2026-11-25 06:00")
    assert quiet_until(NIGHT, utc("2026-11-24 03:00"), CET) == utc("2026-11-24 06:00")
    assert quiet_until(NIGHT, utc("2026-11-24 06:00"), CET) == utc("2026-11-24 06:00")
    assert quiet_until(NIGHT, utc("2026-11-24 20:59:59"), CET) == utc("2026-11-24 20:59:59")
    assert quiet_until((), utc("2026-11-24 22:30"), CET) == utc("2026-11-24 22:30")


def test_nights_in_which_the_clocks_are_set() -> None:
    """tzdata, Europe/Berlin: ahead on 29 March 2026, back on 25 October 2026. Seven in the morning is seven."""
    short, long = utc("2026-03-28 21:00"), utc("2026-10-24 20:00")  # both 22:00 there
    assert quiet_until(NIGHT, short, CET) - short == timedelta(hours=8)
    assert quiet_until(NIGHT, long, CET) - long == timedelta(hours=10)


def test_an_end_in_an_hour_that_is_left_out() -> None:
    """02:00 to 03:00 is left out on 29 March 2026: a span that would end at 02:30 ends when the clocks are set."""
    spans = (parse_span("22:00-02:30"),)
    assert quiet_until(spans, utc("2026-03-29 00:30"), CET) == utc("2026-03-29 01:00")


def test_an_end_in_an_hour_that_comes_twice() -> None:
    """02:00 to 03:00 comes twice on 25 October 2026: it is quiet until 02:30 has come for the second time."""
    spans = (parse_span("22:00-02:30"),)
    assert quiet_until(spans, utc("2026-10-25 00:15"), CET) == utc("2026-10-25 01:30")
    assert quiet_until(spans, utc("2026-10-25 01:29"), CET) == utc("2026-10-25 01:30")


def test_days_of_the_week() -> None:
    """A span belongs to the day on which it begins; a weekend of whole days is one stretch."""
    weekend = (parse_span("Sat,Sun 00:00-24:00"), parse_span("Fri 22:00-24:00"), parse_span("Mon 00:00-07:00"))
    assert quiet_until(weekend, utc("2026-11-27 21:30"), CET) == utc("2026-11-30 06:00")  # Friday to Monday
    assert quiet_until(weekend, utc("2026-11-26 21:30"), CET) == utc("2026-11-26 21:30")
    assert quiet_until((parse_span("Fri-Sun 23:00-09:00"),), utc("2026-11-30 07:00"), CET) == utc("2026-11-30 08:00")


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2030, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001  it asks for naive ones
    st.integers(0, 1439),
    st.integers(1, 1440),
    st.sampled_from([CET, LORD_HOWE]),
)
def test_nothing_leaves_while_the_clock_on_the_wall_shows_quiet_hours(
    now: datetime, begin: int, end: int, zone: ZoneInfo
) -> None:
    """What is held leaves outside the hours, and no more than an hour later than they are long.

    A pause of an hour or less is skipped if it is in the hour that occurs twice: that belongs to the span both times.
    """
    if (end - begin) % 1440 == 0:
        return
    free_at = quiet_until((Span(begin, end),), now, zone)
    local = free_at.astimezone(zone)
    minute = local.hour * 60 + local.minute
    assert not (begin <= minute < end if begin < end else minute >= begin or minute < end)
    pause_min = (begin - end) % 1440
    assert timedelta() <= free_at - now <= timedelta(hours=25 if pause_min > 60 else 49)


def test_a_pause_in_the_hour_that_occurs_twice_is_skipped() -> None:
    """02:00 to 02:01 on the day on which 02:00 to 03:00 occurs twice: the next pause is a day later."""
    span = Span(121, 120)
    assert quiet_until((span,), utc("2024-10-26 00:01"), CET) == utc("2024-10-28 01:00")
    assert quiet_until((span,), utc("2024-10-25 00:01"), CET) == utc("2024-10-26 00:00")


def test_spans_that_leave_no_time() -> None:
    """A week that is quiet throughout would hold each message: it is recognised, and bounded all the same."""
    whole = (parse_span("00:00-24:00"),)
    assert not leaves_time(whole)
    assert not leaves_time((parse_span("22:00-07:00"), parse_span("07:00-22:00")))
    assert leaves_time(NIGHT)
    assert quiet_until(whole, utc("2026-11-24 12:00"), CET) >= utc("2026-12-01 12:00")


def test_the_newest_time_that_has_come() -> None:
    """Daily and weekly, in local time, also where that time is left out."""
    assert parse_due("07:30").last(utc("2026-11-24 06:29"), CET) == utc("2026-11-23 06:30")
    assert parse_due("07:30").last(utc("2026-11-24 06:30"), CET) == utc("2026-11-24 06:30")
    assert parse_due("Mon 07:30").last(utc("2026-11-23 06:29"), CET) == utc("2026-11-16 06:30")
    assert parse_due("02:30").last(utc("2026-03-29 10:00"), CET) == utc("2026-03-29 01:00")


@pytest.mark.parametrize("text", ["22:00-07:00", "Mon,Fri 00:00-24:00", "Sat,Sun 09:05-09:06"])
def test_spans_read_as_they_are_written(text: str) -> None:
    """What is read can be written again."""
    assert str(parse_span(text)) == text


def test_times_read_as_they_are_written() -> None:
    """Ranges of days may run over the week's end; case does not matter."""
    assert str(parse_due("07:30")) == "07:30"
    assert str(parse_due("mon 7:30")) == "Mon 07:30"
    assert parse_span("Sat-Mon 9:00-10:00").days == {5, 6, 0}
    assert Due(450).days == frozenset(range(7))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("night", "not a span of hours"),
        ("22-7", "not a span of hours"),
        ("25:00-07:00", 'holds "25:00"'),
        ("22:60-07:00", 'holds "22:60"'),
        ("07:00-07:00", "has no length"),
        ("24:00-07:00", "has no length"),
        ("Mox 22:00-07:00", 'holds "Mox", which is no day; write Mon, Tue'),
        ("Mon-Tue-Wed 22:00-07:00", 'holds "Mon-Tue-Wed"'),
    ],
)
def test_spans_that_are_none(text: str, said: str) -> None:
    """What is wrong is named, with what is allowed."""
    with pytest.raises(ValueError, match=said):
        parse_span(text)


@pytest.mark.parametrize("text", ["24:00", "soon", "Mon", "07:30-08:00"])
def test_times_that_are_none(text: str) -> None:
    """A digest has one time."""
    with pytest.raises(ValueError, match="not a time of day"):
        parse_due(text)
