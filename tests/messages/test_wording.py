"""The words that mail, page and terminal share."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.messages import found_full
from watchkeeper.alerting.rules import OverdueRule, judge_overdue
from watchkeeper.forecast.laws.first_passage import FAR_D
from watchkeeper.messages import wording
from watchkeeper.model.alert import Alert, Concern, Event, Priority, State, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd, UnusualGrowth
from watchkeeper.model.observation import OWN_NAME, Answer, Condition, Deadline, Level, SeriesKey, Unit

NOW = datetime(2026, 11, 24, 9, 12, tzinfo=UTC)
ZONE = ZoneInfo("CET")
SKERRY = SeriesKey("pool skerry", "space")
MIN, HOUR, DAY = 60, 3_600, 86_400
SECONDS_IN = {"s": 1, "min": MIN, "h": HOUR, "day": DAY, "month": wording.MONTH, "year": wording.YEAR}


def seconds_in(text: str) -> float:
    """The words of `duration` back in seconds."""
    return sum(int(count) * SECONDS_IN[unit.rstrip("s") or "s"] for count, unit in re.findall(r"(\d+) (\w+)", text))


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-5, "0 s"),
        (0, "0 s"),
        (40, "40 s"),
        (90, "90 s"),
        (119.6, "2 min"),
        (4 * MIN, "4 min"),
        (59.5 * MIN, "1 h"),
        (5 * HOUR + 20 * MIN, "5 h 20 min"),
        (23 * HOUR + 59.9 * MIN, "1 day"),
        (26 * HOUR, "1 day 2 h"),
        (71.6 * HOUR, "3 days"),
        (3 * DAY, "3 days"),
        (11.4 * DAY, "11 days"),
        (99 * DAY, "99 days"),
        (120 * DAY, "4 months"),
        (729 * DAY, "2 years"),
        (3.4 * wording.YEAR, "3 years"),
        (float("inf"), "over 100 years"),
    ],
)
def test_duration(seconds: float, words: str) -> None:
    """A duration has one or two units and carries over instead of saying 60 min or 24 h."""
    assert wording.duration(seconds) == words


@given(st.floats(0, 100 * wording.YEAR))
def test_duration_is_honest(seconds: float) -> None:
    """A duration in words is never further off than half its smaller unit, which is a quarter at most."""
    said = seconds_in(wording.duration(seconds))
    assert abs(said - seconds) <= max(0.5, seconds * 0.26)


@given(st.floats(0, 100 * wording.YEAR), st.floats(0, 100 * wording.YEAR))
def test_longer_never_sounds_shorter(one: float, other: float) -> None:
    """Of two durations the longer one is never said to be the shorter."""
    short, long = sorted((one, other))
    assert seconds_in(wording.duration(short)) <= seconds_in(wording.duration(long))


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-1, "less than 1 min"),
        (59, "less than 1 min"),
        (4.2 * MIN, "about 4 min"),
        (33 * MIN, "about 35 min"),
        (5.2 * HOUR, "about 5 h"),
        (5.4 * HOUR, "about 5 h 30 min"),
        (21.9 * HOUR, "about 22 h"),
        (3.2 * DAY, "about 3 days"),
        (11 * DAY, "about 11 days"),
        (73 * DAY, "about 75 days"),
        (130 * DAY, "about 4 months"),
        (3.4 * wording.YEAR, "about 3 years"),
        (1e12, "over 100 years"),
    ],
)
def test_about(seconds: float, words: str) -> None:
    """An estimate is rounded to what an estimate can know."""
    assert wording.about(seconds) == words


@given(st.floats(MIN, 100 * wording.YEAR))
def test_about_is_near(seconds: float) -> None:
    """The rounding of an estimate is never more than a third off, and mostly far less."""
    assert seconds_in(wording.about(seconds)) == pytest.approx(seconds, rel=0.34)


def test_instants_are_in_the_operators_zone() -> None:
    """An instant is given in the operator's zone, on both sides of a change of clocks (EU: 25 Oct 2026, 01:00 UTC)."""
    before, after = datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    assert wording.instant(before, ZONE, NOW) == "Sun 25 Oct 02:30"
    assert wording.instant(after, ZONE, NOW) == "Sun 25 Oct 02:30"
    assert wording.zone_name(before, ZONE) == "CET, now UTC+02:00"
    assert wording.zone_name(after, ZONE) == "CET, now UTC+01:00"


def test_instants_far_away_have_their_year() -> None:
    """A day that could be taken for another year's has its year; a time of day is given only for a near one."""
    assert wording.day(NOW + timedelta(days=200), ZONE, NOW) == "Sat 12 Jun"
    assert wording.day(NOW + timedelta(days=400), ZONE, NOW) == "Wed 29 Dec 2027"
    assert wording.moment(NOW + timedelta(hours=30), ZONE, NOW) == "Wed 25 Nov 16:12"
    assert wording.moment(NOW + timedelta(days=3), ZONE, NOW) == "Fri 27 Nov"
    assert wording.clock_time(NOW, ZONE) == "10:12"


@pytest.mark.parametrize(
    ("zone", "name"),
    [
        (UTC, "UTC"),
        (ZoneInfo("UTC"), "UTC"),
        (timezone(timedelta(hours=-3, minutes=-30)), "UTC-03:30"),
    ],
)
def test_zone_without_a_name(zone: timezone | ZoneInfo, name: str) -> None:
    """A zone without a name is given by its offset."""
    assert wording.zone_name(NOW, zone) == name


@pytest.mark.parametrize(
    ("part", "words"),
    [
        (0, "0 %"),
        (0.0002, "under 0.1 %"),
        (0.005, "0.5 %"),
        (0.93, "93 %"),
        (0.996, "99.6 %"),
        (0.99951, "over 99.9 %"),
        (1, "100 %"),
        (1.2, "120 %"),
    ],
)
def test_share(part: float, words: str) -> None:
    """A share is never rounded to empty or full."""
    assert wording.share(part) == words


def test_amounts() -> None:
    """A level's value is given in its own unit."""
    assert wording.amount(2**40, Unit.BYTES) == "1 TiB"
    assert wording.amount(1_234_567.0, Unit.COUNT) == "1,234,567"
    assert wording.amount(0.5, Unit.SHARE) == "50 %"


def test_fill() -> None:
    """How full a level is: used, capacity, share and rest; past its capacity nothing is left."""
    gib = 2**30
    assert wording.fill(Level(SKERRY, 1946 * gib, 2048 * gib)) == "1.9 TiB of 2 TiB used (95 %), 102 GiB left"
    assert wording.fill(Level(SKERRY, 5 * gib, 4 * gib)) == "5 GiB of 4 GiB used (125 %), 0 B left"
    assert wording.fill(Level(SKERRY, 0.25, 1, Unit.SHARE)) == "25 % used, 75 % left"


def test_clean_takes_hostile_names() -> None:
    """A name with line breaks, escapes, direction marks and broken UTF-8 becomes one harmless line."""
    hostile = "skerry\r\nSubject: x\x1b[31m\u202egpj\u200b\u2028end \udcff"
    assert wording.clean(hostile) == "skerry Subject: x [31mgpj end \ufffd"


@given(st.text(st.characters(exclude_categories=())), st.integers(5, 80))
def test_clean_is_one_bounded_line(text: str, limit: int) -> None:
    """Whatever comes in, one line of bounded length goes out, and it can be encoded."""
    line = wording.clean(text, limit)
    assert len(line) <= limit
    assert line.splitlines() in ([], [line])
    assert line.encode().decode() == line


def test_clean_keeps_head_and_tail() -> None:
    """What is too long loses its middle, not the end of its path."""
    assert wording.clean("/srv/nest-cams/2026/11/24/camera-0007.part", 21) == "/srv/nest-cam…07.part"


@pytest.mark.parametrize(
    ("key", "words"),
    [
        (SKERRY, "pool skerry"),
        (SeriesKey("file system /srv", "inodes"), "file system /srv: inodes"),
        (SeriesKey("snapshots of skerry", "newest"), "snapshots of skerry: newest"),
        (SeriesKey("memory", "in use"), "memory"),
        (SeriesKey("file system /srv", "writable"), "file system /srv"),
    ],
)
def test_thing(key: SeriesKey, words: str) -> None:
    """A quantity is named only where the subject does not imply it."""
    assert wording.thing(key) == words


@pytest.mark.parametrize(
    ("own", "words"),
    [
        ("upper bay", "upper bay (disk Example H…2R5NX0H)"),
        ("the disk in the upper bay, behind the plate", "the disk in the up…the plate (disk Exa…NX0H)"),
        ("", "disk Example HDD 4TB S2R5NX0H"),
    ],
)
def test_the_operators_own_name_comes_first(own: str, words: str) -> None:
    """Who stands before the host needs it; the subject stays behind it, as it is in the configuration and the API."""
    key = SeriesKey("disk Example HDD 4TB S2R5NX0H", "early signs")
    facts = (("which disk", "bay 3"), (OWN_NAME, own)) if own else (("which disk", "bay 3"),)
    seen = Condition(key, ok=False, reason="8 pending sectors", facts=facts)
    assert wording.thing(key, seen=seen) == words
    assert len(words) <= 44
    assert wording.thing(SeriesKey(key.subject, "endurance"), seen=seen).startswith(words)
    assert wording.thing(key) == "disk Example HDD 4TB S2R5NX0H"


def test_priorities_and_states_in_words() -> None:
    """Every priority and every state has its words."""
    assert [wording.priority_words(p) for p in (None, *Priority)] == ["no alert", "a caution", "a warning", "an alarm"]
    assert [wording.state_words(s).partition(":")[0] for s in State] == [s.value for s in State]


HUB = SeriesKey("guest hide-hub", "state")


@pytest.mark.parametrize(
    ("event", "changes", "words"),
    [
        (Event.RAISE, {"priority": Priority.ALARM}, "guest hide-hub: faulty (alarm)"),
        (
            Event.WORSEN,
            {"priority": Priority.ALARM, "held_by": SKERRY},
            "guest hide-hub: faulty (alarm); follows from pool skerry, no separate message",
        ),
        (Event.EASE, {}, "guest hide-hub: alert ended"),
        (Event.CLEAR, {"held_by": SKERRY}, "guest hide-hub: alert ended"),
        (Event.ACKNOWLEDGE, {"priority": Priority.CAUTION}, "guest hide-hub: alert acknowledged"),
        (Event.LAPSE, {}, "guest hide-hub: ended alert no longer listed"),
    ],
)
def test_a_transition_without_a_message_is_a_line(event: Event, changes: dict[str, Any], words: str) -> None:
    """The line names the thing and what happened to its alert, and why no message was sent."""
    before = Alert(HUB, Concern.FAULTY)
    assert wording.transition_words(Transition(before, replace(before, **changes), event, None, NOW)) == words


def test_a_concern_is_named_in_words() -> None:
    """A level is not full yet when its alert is raised; every other concern is named by its value, without a hyphen."""
    assert wording.concern_words(Concern.FULL) == "filling up"
    others = [c for c in Concern if c is not Concern.FULL]
    assert [wording.concern_words(c) for c in others] == ["overdue", "not answering", "faulty", "not reporting"]


@pytest.mark.parametrize("why", NoEnd)
def test_every_reason_for_no_forecast_has_words(why: NoEnd) -> None:
    """Whatever reason the forecast gives for having no end, it has its own words."""
    assert len({wording.no_end_phrase(each) for each in NoEnd}) == len(NoEnd)
    assert wording.no_end_phrase(why).strip()


def test_far_is_as_far_as_the_forecast_looks() -> None:
    """The words for a far end name the time beyond which the forecast gives none."""
    assert wording.no_end_phrase(NoEnd.FAR) == f"not expected to fill within {FAR_D / 365:.0f} years"


def full(days: float | None, used: float = 50.0, no_end: NoEnd | None = None) -> Finding:
    """What is found about a level that will be full in so many days."""
    likely_s = None if days is None else NOW.timestamp() + days * DAY
    return found_full(Forecast(NOW.timestamp(), used, 100, likely_s=likely_s, no_end=no_end), NOW)


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (full(3), "full in about 3 days"),
        (full(-0.01), "full at any moment"),
        (full(0, used=100), "full"),
        (full(None, no_end=NoEnd.STILL), "not filling"),
        (full(None, no_end=NoEnd.TOO_FEW), "still learning: too few readings for a forecast"),
        (full(1e7), "not expected to fill within 10 years"),
        (Finding(SKERRY, Concern.FULL, NOW, None, reason="no longer monitored"), "no longer monitored"),
        (Finding(SKERRY, Concern.FULL, NOW, None), "no forecast"),
    ],
)
def test_time_left_of_a_level(found: Finding, words: str) -> None:
    """A level's time left is the time to full, or why there is none."""
    assert wording.time_left_phrase(found, NOW, ZONE) == words


def test_a_growth_that_is_too_young_for_a_date() -> None:
    """It is said since when, and at which rate if the unit is known; the date of the trend before it is not."""
    young = UnusualGrowth(NOW.timestamp() - 2 * 3600, 24 * 14 * 2**30, NOW.timestamp() + 18 * 3600)
    found = full(300)
    assert found.forecast is not None
    found = replace(found, priority=None, forecast=replace(found.forecast, unusual=young))
    since = wording.clock_time(NOW - timedelta(hours=2), ZONE)
    words = f"growing unusually fast since {since}; too early for a date"
    assert wording.time_left_phrase(found, NOW, ZONE) == words
    level = Level(SKERRY, 50, 100)
    rate = f"{words}; at this rate, 14 GiB an hour, full in about 18 h"
    assert wording.time_left_phrase(found, NOW, ZONE, level) == rate
    assert wording.time_left_phrase(replace(found, priority=Priority.CAUTION), NOW, ZONE, level).startswith("full in")
    older = replace(young, since_s=NOW.timestamp() - 26 * 3600, full_s=NOW.timestamp() + 1800)
    said = wording.unusual_words(older, NOW, ZONE)
    assert said == f"growing unusually fast since {wording.instant(NOW - timedelta(hours=26), ZONE, NOW)}"
    assert found.forecast is not None
    assert wording.at_this_rate(replace(found.forecast, unusual=None), Unit.BYTES) == ""
    assert wording.pace(1440, 1800, Unit.COUNT) == "1 a minute"
    assert wording.pace(1440, None, Unit.COUNT) == "1,440 a day"


def test_a_growth_that_has_stopped() -> None:
    """When, and at which share; with the day if it is another one."""
    found = full(300)
    assert found.forecast is not None
    for before, when in ((1, wording.clock_time(NOW - timedelta(hours=1), ZONE)), (20, "Mon 23 Nov 14:12")):
        stopped = replace(found.forecast, likely_s=None, stopped_s=(NOW - timedelta(hours=before)).timestamp())
        said = wording.time_left_phrase(replace(found, ends_at=None, forecast=stopped), NOW, ZONE)
        assert said == f"stopped growing at {wording.share(stopped.used / stopped.capacity)} at {when}"


def test_a_growth_that_rests() -> None:
    """Since when, and that the date holds only if it goes on; no date where it would not be shown, or is past."""
    found = full(3)
    assert found.forecast is not None
    rests = replace(found.forecast, resting_since_s=(NOW - timedelta(minutes=10)).timestamp())
    found, since = replace(found, forecast=rests), wording.clock_time(NOW - timedelta(minutes=10), ZONE)
    assert (
        wording.time_left_phrase(found, NOW, ZONE) == f"full in about 3 days if it goes on; not growing since {since}"
    )
    plain = f"not growing since {since}, at {wording.share(rests.used / rests.capacity)}"
    assert wording.time_left_phrase(found, NOW + 4 * timedelta(days=1), ZONE).startswith("not growing since")
    young = replace(rests, since_s=rests.at_s - 600)
    growth = UnusualGrowth(NOW.timestamp() - 7200, 14.0, NOW.timestamp() + 64_800)
    for forecast in (young, replace(rests, unusual=growth)):
        assert wording.time_left_phrase(replace(found, priority=None, forecast=forecast), NOW, ZONE) == plain


def test_a_facts_instant_is_shown_like_every_other_time() -> None:
    """A probe writes UTC; what only looks like an instant stays as it is."""
    said = wording.localized("2026-11-24 09:12 UTC, 306513 files in 22 s", ZONE, NOW)
    assert said == "Tue 24 Nov 10:12, 306513 files in 22 s"
    for odd in ("2026-99-24 09:12 UTC", "2026-11-24", "09:12 UTC"):
        assert wording.localized(odd, ZONE, NOW) == odd


def test_a_record_of_minutes_is_still_learning() -> None:
    """Nothing else is said, unless a rule believes the date."""
    found = full(300)
    assert found.forecast is not None
    young = replace(found.forecast, recorded_since_s=found.forecast.at_s - 1_800)
    for priority, said in ((None, wording.LEARNING), (Priority.CAUTION, "full in")):
        assert wording.time_left_phrase(replace(found, priority=priority, forecast=young), NOW, ZONE).startswith(said)


def due(quantity: str, days: float | None, period_s: float | None = DAY) -> Finding:
    """What is found about a deadline in so many days."""
    due_at = None if days is None else NOW + timedelta(days=days)
    return judge_overdue(Deadline(SeriesKey("skerry", quantity), due_at, None, period_s), NOW, NOW, OverdueRule())


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (due("newest", 0.25), "due in 6 h"),
        (due("newest", -1 / 12), "overdue by 2 h"),
        (due("newest", None), "none found, due now"),
        (due("certificate", 9, None), "expires in 9 days"),
        (due("certificate", -1 / 24, None), "expired 1 h ago"),
        (Finding(SKERRY, Concern.OVERDUE, NOW, None), "no date known"),
    ],
)
def test_time_left_of_a_deadline(found: Finding, words: str) -> None:
    """A deadline's time left is the time until it is due, in words that fit what is due."""
    assert wording.time_left_phrase(found, NOW, ZONE) == words


@pytest.mark.parametrize(
    ("concern", "quantity", "since", "priority", "words"),
    [
        (Concern.NOT_ANSWERING, "answer", timedelta(minutes=4), Priority.WARNING, "not answering for 4 min"),
        (Concern.NOT_ANSWERING, "answer", timedelta(0), Priority.WARNING, "not answering"),
        (Concern.NOT_ANSWERING, "answer", None, None, "answering"),
        (Concern.FAULTY, "health", timedelta(minutes=7), Priority.WARNING, "faulty since 10:05"),
        (Concern.FAULTY, "health", timedelta(days=1), Priority.WARNING, "faulty since Mon 23 Nov 10:12"),
        (Concern.FAULTY, "health", None, Priority.WARNING, "faulty"),
        (Concern.FAULTY, "health", None, None, "OK"),
        (Concern.FAULTY, "runs", timedelta(minutes=7), Priority.WARNING, "failing since 10:05"),
        (Concern.FAULTY, "runs", None, None, "running"),
        (Concern.FAULTY, "writable", timedelta(minutes=7), Priority.ALARM, "not writable since 10:05"),
        (Concern.NOT_REPORTING, "space", timedelta(minutes=4), Priority.WARNING, "not reporting for 4 min"),
        (Concern.NOT_REPORTING, "space", None, None, "reporting"),
    ],
)
def test_time_lost(
    concern: Concern, quantity: str, since: timedelta | None, priority: Priority | None, words: str
) -> None:
    """For an answer, a condition and a probe: since when it has been so."""
    found = Finding(
        SeriesKey("hide-hub", quantity), concern, NOW, priority, since=None if since is None else NOW - since
    )
    assert wording.time_left_phrase(found, NOW, ZONE) == words


def test_a_wrong_answer_is_not_called_a_missing_one() -> None:
    """A service that answered, but not as expected, is said to answer wrongly, if its answer is known."""
    key = SeriesKey("service hide-hub", "answer")
    found = Finding(key, Concern.NOT_ANSWERING, NOW, Priority.WARNING, since=NOW - timedelta(minutes=4))
    wrong = Answer(key, answered=False, reason="status 502", took_s=0.1)
    assert wording.time_left_phrase(found, NOW, ZONE, wrong) == "answering wrongly for 4 min"
    assert wording.time_left_phrase(found, NOW, ZONE, replace(wrong, took_s=None)) == "not answering for 4 min"


def test_a_headline_loses_its_end_and_not_its_middle() -> None:
    """After a whole word, so that no time and no name is cut in two."""
    text = "quiet hours are over: 1 active; job rsync failed since 01:13: the job reported a failure"
    assert wording.headed(text, 200) == text
    assert wording.headed(text, 67) == "quiet hours are over: 1 active; job rsync failed since 01:13: the…"
    assert wording.headed(text, 64) == "quiet hours are over: 1 active; job rsync failed since 01:13…"
