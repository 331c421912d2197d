"""Headlines and bodies of messages."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.messages import (
    DAY_S,
    GIB,
    HOST,
    NOW,
    SKERRY,
    ZONE,
    after,
    episode,
    filling,
    found_full,
    level,
    silence,
    told,
)
from watchkeeper.alerting import state_machine
from watchkeeper.alerting.rules import FaultyRule, OverdueRule, judge_faulty, judge_overdue
from watchkeeper.manual.runbook import first_step
from watchkeeper.messages.body import COLUMNS, LONGEST_HEADLINE
from watchkeeper.messages.build import compose
from watchkeeper.messages.deletions import Deletion, Deletions
from watchkeeper.model.alert import Concern, Event, NotificationKind, Priority, State, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import OWN_NAME, Condition, Deadline, Level, Observation, SeriesKey


def headlines(findings: list[Finding], seen: Observation | None) -> list[str]:
    """The headlines of the messages that these findings lead to."""
    return [each.message().headline for each in told(findings, seen)]


def test_headlines_of_a_filling_pool() -> None:
    """Each of the four notifications begins with the subject and the fact, and fits a phone."""
    found = [each.message().headline for each in episode()]
    assert found == [
        "pool skerry full in about 3 days (Fri 27 Nov)",
        "pool skerry full in about 22 h (Fri 27 Nov 09:48), now an alarm",
        "pool skerry full in about 12 days (Tue 8 Dec), now only a caution",
        "pool skerry no longer filling (alert ended)",
    ]
    assert max(map(len, found)) <= 65


def test_headline_and_body_have_the_operators_own_name() -> None:
    """A disk with a name: it comes before the subject, also when the alert has ended."""
    key = SeriesKey("disk Example HDD 4TB S2R5NX0H", "early signs")
    seen = Condition(key, ok=False, reason="8 pending sectors", facts=((OWN_NAME, "upper bay"),))
    found = [
        Finding(key, Concern.FAULTY, at, priority, since=NOW, reason="8 pending sectors" if priority else "")
        for priority, at in ((Priority.WARNING, NOW), (None, NOW + timedelta(hours=2)))
    ]
    raised, ended = (each.message() for each in told(found, seen))
    said = "shows early signs of failure since 10:12: 8 pending sectors"
    assert raised.headline == f"upper bay (disk Example H…2R5NX0H) {said}"
    assert f": upper bay (disk Example HDD 4TB S2R5NX0H) {said}." in " ".join(raised.body.split())
    assert ended.headline.startswith("upper bay (disk Example H…2R5NX0H) shows no more signs of failure")


def test_a_foretold_end_that_has_come() -> None:
    """It says that it is full, and not that the priority has changed: it was an alarm before."""
    *_, alarm = told([filling(NOW, 3.2), filling(after(hours=50), 0.9)], level())
    at = after(hours=74)
    _, reached = state_machine.reach(alarm.move.after, at, known=False)
    assert reached is not None
    foretold = filling(at, 0.0)
    assert foretold.forecast is not None
    now_full = replace(foretold.forecast, used=foretold.forecast.capacity)
    full = replace(foretold, forecast=now_full, since=after(hours=73))
    message = compose(reached, full, level(2048), "gannet", ZONE, first_step)
    assert message.headline == "pool skerry full"
    assert message.body.startswith("Alarm on gannet: pool skerry full.")
    assert (message.kind, message.number) == (NotificationKind.WORSE, 3)


def cleared(no_end: NoEnd, hours: float, *, full: bool = True) -> list[tuple[str, str]]:
    """Headline and body of the messages after a clearing: lowered to a warning, then ended.

    hours: how long the trend is. full: the level had been full.
    """
    *_, alarm = told([filling(NOW, 3.2), filling(after(hours=50), 0.9)], level())
    alert = replace(alarm.move.after, reached=full)
    at = after(hours=80)
    forecast = Forecast(
        at.timestamp(),
        1160 * GIB,
        2048 * GIB,
        no_end=no_end,
        growth_per_day=-15 * GIB,
        since_s=at.timestamp() - hours * 3_600,
    )
    found, said = found_full(forecast, at), []
    lower = Transition(alert, replace(alert, priority=Priority.WARNING), Event.EASE, NotificationKind.EASED, at)
    over = Transition(
        alert, replace(alert, priority=None, state=State.NORMAL, ended_at=at), Event.CLEAR, NotificationKind.ENDED, at
    )
    for move in (lower, over):
        message = compose(move, found, level(1160), "gannet", ZONE, first_step)
        said.append((message.headline, " ".join(message.body.split())))
    return said


def test_room_again_after_a_clearing() -> None:
    """No rate from the hours since, no step to take: there is room, and the alert waits for that to last."""
    for no_end in (NoEnd.STILL, NoEnd.SHRINKING):
        lower, over = cleared(no_end, hours=3)
        assert lower[0] == "pool skerry has room again, now only a warning"
        assert over[0] == "pool skerry has room again (alert ended)"
        for _, body in (lower, over):
            assert "57 %" in body
            assert "It is too early to say whether it grows again." in body
            assert "hrinking" not in body
            assert "What to do first" not in body
        assert "The alert ends if this lasts." in lower[1]


def test_what_only_stopped_growing_has_no_room_again() -> None:
    """Nothing was freed, as far as is known; and a trend of days has a rate."""
    lower, over = cleared(NoEnd.STILL, hours=3, full=False)
    assert lower[0] == "pool skerry not filling, now only a warning"
    assert over[0] == "pool skerry no longer filling (alert ended)"
    lower, over = cleared(NoEnd.SHRINKING, hours=72, full=False)
    assert over[0] == "pool skerry now shrinking (alert ended)"
    assert "Shrinking 15 GiB a day since" in over[1]
    assert cleared(NoEnd.SHRINKING, hours=3, full=False)[1][0] == "pool skerry has room again (alert ended)"


def test_headlines_of_a_service_that_does_not_answer() -> None:
    """A missing or wrong answer is reported with its reason, and its end with how long it lasted."""
    assert [each.message().headline for each in silence()] == [
        "service hide-hub answering wrongly for 4 min: status 502, expected 200",
        "service hide-hub answering again after 18 min (alert ended)",
    ]


def ending(began_s: float, over_s: float, raises: int = 0) -> tuple[str, str]:
    """Headline and body of an end, 20 to 74 s after NOW; in the same seconds, when it really began and was over."""
    _, ended = silence()
    after_end = replace(
        ended.move.after,
        raised_at=after(seconds=20),
        ended_at=after(seconds=74),
        raise_count=raises,
    )
    found = replace(ended.found, began_at=after(seconds=began_s), over_at=after(seconds=over_s))
    move = replace(ended.move, after=after_end, at=after(seconds=74))
    message = compose(move, found, ended.seen, "gannet", ZONE, first_step)
    return message.headline, " ".join(message.body.split())


def test_an_end_says_how_long_it_really_lasted() -> None:
    """An outage of 68 s, not the 54 s of its alert, which began after the limit of 20 s and ended 6 s late."""
    headline, body = ending(0, 68)
    assert headline == "service hide-hub answering again after 68 s (alert ended)"
    assert "It lasted from Tue 24 Nov 10:12:00 to Tue 24 Nov 10:13:08 (68 s)." in body
    assert "The alert was raised Tue 24 Nov 10:12 and ended Tue 24 Nov 10:13. It was a warning." in body


def test_an_end_without_known_times_says_those_of_the_alert() -> None:
    """After a restart, or where the last such time was before this alert."""
    assert ending(-90, -60)[0] == "service hide-hub answering again after 54 s (alert ended)"
    assert "Raised Tue 24 Nov 10:12, ended Tue 24 Nov 10:13 (54 s)." in ending(-90, -60)[1]
    assert "(54 s)" in ending(20, 80)[1], "over after the end of the alert: another one"


def test_an_intermittent_alert_lasted_from_its_first_time() -> None:
    """The last outage alone would be too short."""
    headline, body = ending(60, 68, raises=3)
    assert headline == "service hide-hub answering again after 48 s (alert ended)"
    assert "It lasted from Tue 24 Nov 10:12:20 to Tue 24 Nov 10:13:08 (48 s)." in body


def test_headline_of_a_full_pool() -> None:
    """A pool that is full is reported as full, without a date."""
    now_s = NOW.timestamp()
    full = found_full(Forecast(now_s, 5, 5, likely_s=now_s), NOW)
    overrun = found_full(Forecast(now_s, 4, 5, likely_s=now_s - 9), NOW)
    assert headlines([full], level()) == ["pool skerry full"]
    assert headlines([overrun], level()) == ["pool skerry full at any moment"]


@pytest.mark.parametrize(
    ("no_end", "headline"),
    [
        (NoEnd.STILL, "pool skerry no longer filling (alert ended)"),
        (NoEnd.SHRINKING, "pool skerry now shrinking (alert ended)"),
        (NoEnd.FAR, "pool skerry now years from full (alert ended)"),
        (NoEnd.UNCERTAIN, "pool skerry has no clear trend now (alert ended)"),
        (NoEnd.CLEARED, "pool skerry now expected to drop before it is full (alert ended)"),
        (NoEnd.TOO_FEW, "pool skerry has no forecast now (alert ended)"),
    ],
)
def test_why_filling_ended(no_end: NoEnd, headline: str) -> None:
    """The end of an alert about a level says why there is no time to full any more."""
    at = after(hours=2)
    over = found_full(Forecast(at.timestamp(), 1, 5, no_end=no_end), at)
    assert headlines([filling(NOW, 3), over], level())[-1] == headline


def test_a_growth_that_stopped_is_said_with_its_time() -> None:
    """And at which level, instead of a reason."""
    at = after(hours=2)
    stopped = Forecast(at.timestamp(), 1, 5, no_end=NoEnd.STILL, stopped_s=after(hours=1).timestamp())
    ended = headlines([filling(NOW, 3), found_full(stopped, at)], level())[-1]
    assert ended == "pool skerry stopped growing at 20 % at 11:12 (alert ended)"


def test_full_later_than_notified() -> None:
    """A forecast that moved beyond the last threshold ends the alert and says when it is full now."""
    assert headlines([filling(NOW, 3), filling(after(hours=2), 61)], level())[-1] == (
        "pool skerry now full in about 60 days (alert ended)"
    )


def test_no_longer_monitored() -> None:
    """An alert about what is no longer monitored ends with that reason, whatever it was about."""
    gone = Finding(SKERRY, Concern.FULL, after(hours=1), None, reason="no longer monitored")
    move = told([filling(NOW, 3), gone], None)[-1]
    assert move.message().headline == "pool skerry no longer monitored (alert ended)"
    plain = Finding(SKERRY, Concern.FULL, after(hours=1), None)
    ended = told([filling(NOW, 3), plain], None)[-1].message()
    assert ended.headline == "pool skerry no longer filling (alert ended)"


@pytest.mark.parametrize(
    ("quantity", "days", "period_s", "raised", "ended"),
    [
        ("certificate", 6.2, None, "expires in 6 days (Mon 30 Nov)", "renewed"),
        ("newest", -1 / 12, DAY_S, "overdue by 2 h (due Tue 24 Nov 08:12)", "done again"),
        ("scrub", -3, DAY_S, "scrub overdue by 3 days (due Sat 21 Nov)", "done again"),
    ],
)
def test_headlines_of_deadlines(quantity: str, days: float, period_s: float | None, raised: str, ended: str) -> None:
    """A deadline is reported with its date, and its end in words that fit what was due."""
    key = SeriesKey("skerry", quantity)
    late = Deadline(key, NOW + timedelta(days=days), NOW - timedelta(days=9), period_s)
    done = replace(late, due_at=after(days=90))
    found = [judge_overdue(each, NOW, NOW + timedelta(hours=h), OverdueRule()) for h, each in enumerate((late, done))]
    first, last = headlines(found, late)
    assert first.endswith(raised)
    assert last.endswith(f"{ended} after 1 h (alert ended)")


def test_headlines_of_conditions() -> None:
    """A fault is reported with its reason; a probe that fails has its own words."""
    key, probe = SeriesKey("pool skerry", "health"), SeriesKey("probe skerry", "runs")
    bad = Condition(key, ok=False, reason="one disk of the mirror has failed")
    dead = Condition(probe, ok=False, reason="no answer in 10 s")
    wrong = judge_faulty(bad, NOW, NOW, FaultyRule())
    assert headlines([wrong, Finding(key, Concern.FAULTY, after(hours=2), None)], bad) == [
        "pool skerry faulty since 10:12: one disk of the mirror has failed",
        "pool skerry OK again after 2 h (alert ended)",
    ]
    failed = judge_faulty(dead, NOW, NOW, FaultyRule())
    assert headlines([failed, Finding(probe, Concern.FAULTY, after(hours=2), None)], dead) == [
        "probe skerry failing since 10:12: no answer in 10 s",
        "probe skerry running again after 2 h (alert ended)",
    ]


def test_headlines_of_a_series_that_does_not_report() -> None:
    """A series without samples is reported with the time of its last one, and when it reports again."""
    key = SeriesKey("service hide-hub", "certificate")
    stale = Finding(
        key, Concern.NOT_REPORTING, NOW, Priority.WARNING, since=after(minutes=-4), reason="no sample has come"
    )
    assert headlines([stale, Finding(key, Concern.NOT_REPORTING, after(hours=2), None)], None) == [
        "service hide-hub: certificate not reporting for 4 min",
        "service hide-hub: certificate reporting again after 2 h (alert ended)",
    ]


def test_body_of_a_warning() -> None:
    """The body says what, how sure, how full, how fast, the details and what to do first, in 72 columns."""
    assert episode()[0].message().body == (
        "Warning on gannet: pool skerry full in about 3 days (Fri 27 Nov).\n"
        "\n"
        "This is an estimate; 90 % range: Thu 26 Nov to Sun 29 Nov.\n"
        "\n"
        "Now 1.9 TiB of 2 TiB used (95 %), 102 GiB left. Growing 11 GiB a day\n"
        "since Tue 17 Nov.\n"
        "\n"
        "Details:\n"
        "  largest guest disk: nest-cams 812 GiB\n"
        "\n"
        "What to do first: `watchkeeper reclaim` shows what deleting snapshots\n"
        "would free; snapshots still hold what was deleted. Then check which\n"
        "guest's disk has grown.\n"
        "\n"
        "Freeing 154 GiB gives 2 more weeks at this rate.\n"
        "\n"
        "Times are CET, now UTC+01:00.\n"
    )


def test_body_of_a_change() -> None:
    """A change of priority names both, and when the alert was raised."""
    body = episode()[1].message().body
    assert body.startswith("Now an alarm on gannet (was a warning): pool skerry full in")
    assert "Raised Tue 24 Nov 10:12." in body
    assert episode()[2].message().body.startswith("Now only a caution on gannet (was an alarm): pool skerry full in")


def test_interval_without_an_upper_end() -> None:
    """A forecast without a latest time says so, with the probability of its earliest time."""
    body = " ".join(episode()[2].message().body.split())
    assert "after Thu 3 Dec with 95 % probability. No latest date can be given" in body


def test_narrow_interval() -> None:
    """An interval whose ends read the same is written as one day."""
    body = told([filling(NOW, 3.2, 3.19, 3.21)], level())[0].message().body
    assert "This is an estimate; 90 % range: Fri 27 Nov." in body


def test_body_of_an_end() -> None:
    """An end says how long it lasted, from when to when, and has no advice."""
    body = " ".join(silence()[1].message().body.split())
    assert body == (
        "Alert ended on gannet: service hide-hub answering again after 18 min. "
        "Raised Tue 24 Nov 10:12, ended Tue 24 Nov 10:30 (18 min). It was a warning. "
        "Times are CET, now UTC+01:00."
    )


def test_body_says_since_when() -> None:
    """The body about a missing answer and a missed deadline says since when, and when it was last done."""
    assert "No valid answer since Tue 24 Nov 10:08." in silence()[0].message().body
    late = Deadline(SeriesKey("snapshots of skerry", "newest"), after(hours=-2), after(hours=-26), DAY_S)
    body = told([judge_overdue(late, NOW, NOW, OverdueRule())], late)[0].message().body
    assert "It was due Tue 24 Nov 08:12. Last done Mon 23 Nov 08:12." in body


def test_growth_in_words() -> None:
    """How a level grows follows how full it is, as messages/growth.py says it; nothing where it has nothing to say."""
    found = filling(NOW, 3.2)
    assert found.forecast is not None
    nightly = replace(found, forecast=replace(found.forecast, cycle_s=DAY_S, cycles=3))
    unknown = replace(found, forecast=replace(found.forecast, growth_per_day=None))
    said = [" ".join(told([each], level())[0].message().body.split()) for each in (nightly, unknown)]
    assert "102 GiB left. Growing 11 GiB a day since Tue 17 Nov; rises and falls every day. Details:" in said[0]
    assert "102 GiB left. Details:" in said[1]


def test_a_long_name_is_whole_in_the_body() -> None:
    """A headline cuts a long path; the body has room for it."""
    key = SeriesKey("file system /srv/nest-cams/2026/november/camera-07/parts", "space")
    message = told([replace(filling(NOW, 3), key=key)], None)[0].message()
    assert message.headline.startswith("file system /srv/nest-cams/20…")
    assert f"{key.subject} full in about 3 days" in " ".join(message.body.split())


def test_commands_stay_in_one_piece() -> None:
    """A command is never broken over two lines, however long it is."""
    key = SeriesKey("file system /srv/nest cams of the year", "space")
    body = told([replace(filling(NOW, 3), key=key)], None)[0].message().body
    assert "`du -x --max-depth=1 '/srv/nest cams of the year' | sort -n`" in body


def test_long_reason_is_whole_in_the_body() -> None:
    """A reason that is too long for the headline is complete in the body."""
    key, reason = SeriesKey("pool skerry", "health"), "disk 3 counts errors; " * 8 + "disk 4 is gone"
    bad = Condition(key, ok=False, reason=reason)
    message = told([judge_faulty(bad, NOW, NOW, FaultyRule())], bad)[0].message()
    assert len(message.headline) <= LONGEST_HEADLINE
    assert reason in " ".join(message.body.split())


text = st.text(st.characters(exclude_categories=()), max_size=300)


@given(text, text, text, text, text, st.sampled_from(Concern))
def test_hostile_text(subject: str, quantity: str, reason: str, fact: str, host: str, concern: Concern) -> None:
    """Whatever a probe calls things, the headline is one bounded line and the body holds no control characters."""
    key = SeriesKey(subject, quantity)
    seen = Level(key, 1, 2, facts=((fact, fact),) * 20)
    found = Finding(key, concern, NOW, Priority.ALARM, since=NOW, ends_at=after(days=1), reason=reason)
    moves = told([found, replace(found, priority=None, at=after(hours=1))], seen)
    for message in (compose(each.move, each.found, each.seen, host, ZONE, first_step) for each in moves):
        assert len(message.headline) <= LONGEST_HEADLINE
        assert message.headline.splitlines() == [message.headline]
        assert all(sign == "\n" or sign.isprintable() for sign in message.body)
        assert message.headline.encode()
        assert len(message.body) < 5_000


@given(st.integers(1, 40), st.integers(0, 40))
def test_lines_are_short(one: int, other: int) -> None:
    """No line of a body is longer than its column, where words are of ordinary length."""
    key = SeriesKey("pool skerry", "health")
    bad = Condition(key, ok=False, reason="tide log " * one + "nest " * other)
    body = told([judge_faulty(bad, NOW, NOW, FaultyRule())], bad)[0].message().body
    assert max(map(len, body.splitlines())) <= COLUMNS


def test_facts_are_bounded() -> None:
    """A probe that says too much is cut to what a phone can show."""
    seen = replace(level(), facts=tuple((f"guest {n}", f"{n} GiB") for n in range(30)))
    body = told([filling(NOW, 3)], seen)[0].message().body
    assert "guest 7: 7 GiB" in body
    assert "guest 8" not in body


def test_a_condition_without_a_date() -> None:
    """A finding with nothing but a priority still makes a message."""
    bare = Finding(SeriesKey("tide-log", "sync"), Concern.FAULTY, NOW, Priority.CAUTION)
    message = told([bare], None)[0].message()
    assert message.headline == "tide-log: sync faulty"
    assert message.body.startswith("Caution on gannet: tide-log: sync faulty.\n\nWhat to do first: ")


def test_what_to_delete_first() -> None:
    """The sets of snapshots that hold most, with what deleting them would free, and the command with the real name."""
    each = episode()[0]
    sets = (Deletion("6 GiB to 9 GiB", "skerry/hide-hub, daily-*: 4 snapshots"), Deletion("2 GiB", "skerry/tide-log"))
    found = Deletions(sets, "watchkeeper reclaim --gain 14d --store 'pool skerry'")
    said = compose(each.move, each.found, each.seen, HOST, ZONE, first_step, deletions=found).body
    assert (
        "Snapshots that hold most, and what deleting them would free:\n"
        "  6 GiB to 9 GiB: skerry/hide-hub, daily-*: 4 snapshots\n  2 GiB: skerry/tide-log\n\n"
        "`watchkeeper reclaim --gain 14d --store 'pool skerry'` names those to\ndelete for two more weeks.\n"
    ) in said
    assert "Snapshots that hold most" not in compose(each.move, each.found, None, HOST, ZONE, first_step).body
    ended = episode()[3]
    over = compose(ended.move, ended.found, ended.seen, HOST, ZONE, first_step, deletions=found).body
    assert "Snapshots that hold most" not in over


def test_what_to_do_differs_when_nothing_is_left() -> None:
    """Two days before, look for what grew; when it is full, free space at once."""
    each = episode()[0]
    before = compose(each.move, each.found, level(1946), HOST, ZONE, first_step).body
    full = compose(each.move, each.found, level(2048), HOST, ZONE, first_step).body
    assert "What to do first: `watchkeeper reclaim` shows" in before
    assert "What to do first: Writes fail now, and the guests with a disk on it" in full
    assert "`zfs list -t snapshot -o name,used -s used -r skerry`" in full
