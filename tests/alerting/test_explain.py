"""Why a rule decided as it did: each reason in its words."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.solo import Solo
from watchkeeper.alerting import rules
from watchkeeper.alerting.explain import decision, explain, reason
from watchkeeper.alerting.rules import FaultyRule, FullRule, NotAnsweringRule, NotReportingRule, OverdueRule, Rules
from watchkeeper.model.alert import Alert, Concern, Delays, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import Answer, Condition, Deadline, Kind, Level, Observation, SeriesKey

NOW = datetime(2026, 11, 24, 9, 12, tzinfo=UTC)
SECOND, MINUTE, HOUR, DAY = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
SKERRY, HUB = SeriesKey("pool skerry", "space"), SeriesKey("service hide-hub", "answer")
GUEST, BACKUP = SeriesKey("guest tide-log", "state"), SeriesKey("backup", "age of the newest")
LEVEL = Level(SKERRY, 900.0 * 2**30, 1000.0 * 2**30)
CALM = Alert(SKERRY, Concern.FULL)


def lines(judgement: Solo, now: datetime) -> dict[Concern, str]:
    """Evaluate, and explain each finding."""
    outcome = judgement.judge(now)
    rules = judgement.rules
    return {f.concern: explain(f, judgement.latest, rules, judgement.alert(f.concern), UTC) for f in outcome.findings}


def of(seen: Observation, limits: Rules, now: datetime = NOW) -> Solo:
    """An evaluator that has just received an observation."""
    judgement = Solo(seen.key, seen.kind, 60.0, limits)
    judgement.take(seen, now)
    return judgement


def level(
    forecast: Forecast | None, priority: Priority | None = None, alert: Alert = CALM, **rule: float | None
) -> str:
    """The line about a level with this forecast."""
    found = Finding(SKERRY, Concern.FULL, NOW, priority, forecast=forecast)
    limits = Rules(full=replace(FullRule(), **rule))  # type: ignore[arg-type]  # the rule's own keys
    return explain(found, LEVEL, limits, alert, UTC)


def filling(days: float, *, lasted_days: float = 30.0, latest: bool = True, growth: float | None = 2**30) -> Forecast:
    """A forecast of so many days."""
    now_s = NOW.timestamp()
    likely_s = now_s + days * 86_400
    return Forecast(
        now_s,
        900.0,
        1000.0,
        earliest_s=now_s + days * 80_000,
        likely_s=likely_s,
        latest_s=likely_s + 86_400 if latest else None,
        growth_per_day=growth,
        since_s=now_s - lasted_days * 86_400,
    )


def test_no_answer_below_every_limit() -> None:
    """What was seen, the limits, and the instant at which the next one is reached."""
    judged = of(Answer(HUB, answered=False, reason="connection refused"), Rules())
    assert lines(judged, NOW + 45 * SECOND)[Concern.NOT_ANSWERING] == (
        "service hide-hub: answer, not answering: no answer since Tue 24 Nov 09:12:00: connection refused; "
        "limits: warning after 3 min, alarm after 1 h; "
        "calls for no alert, the next limit is reached Tue 24 Nov 09:15:00; alert normal"
    )


def test_no_answer_past_its_limits() -> None:
    """Past the last limit nothing more is announced."""
    rule = NotAnsweringRule(caution_s=10.0, warning_s=None, alarm_s=60.0)
    judged = of(Answer(HUB, answered=False, reason="no route"), Rules(not_answering=rule))
    first = lines(judged, NOW + 20 * SECOND)[Concern.NOT_ANSWERING]
    assert "limits: caution after 10 s, alarm after 60 s; calls for a caution, the next limit is" in first
    last = lines(judged, NOW + HOUR)[Concern.NOT_ANSWERING]
    assert last.endswith("calls for an alarm; alert active (alarm)")


def test_an_answer_that_comes() -> None:
    """All is well, and no limit is set."""
    rule = NotAnsweringRule(caution_s=None, warning_s=None, alarm_s=None)
    judged = of(Answer(HUB, answered=True, took_s=0.1), Rules(not_answering=rule))
    assert lines(judged, NOW)[Concern.NOT_ANSWERING].endswith(
        "answering; limits: none are set; calls for no alert; alert normal"
    )
    stale = lines(judged, NOW)[Concern.NOT_REPORTING]
    assert "not reporting: a reading is expected by Tue 24 Nov 09:15:00" in stale
    assert "limits: a warning after 3 of the probe's intervals" in stale


def test_delays_that_run() -> None:
    """An on-delay, an off-delay, and the off-delay of a chattering alert, each with its end."""
    rule = FaultyRule(delays=Delays(on_delay_s=60.0, off_delay_s=120.0))
    judged = of(Condition(GUEST, ok=False, reason="paused", grave=True), Rules(faulty=rule))
    rising = lines(judged, NOW)[Concern.FAULTY]
    assert "stopped since Tue 24 Nov 09:12:00: paused" in rising
    assert "limits: faulty is a warning, stopped is an alarm; calls for an alarm" in rising
    assert rising.endswith("alert normal; an alarm from Tue 24 Nov 09:13:00 on, after the on-delay")
    lines(judged, NOW + MINUTE)
    judged.take(Condition(GUEST, ok=True), NOW + HOUR)
    falling = lines(judged, NOW + HOUR)[Concern.FAULTY]
    assert ": OK; limits" in falling
    assert falling.endswith("no alert from Tue 24 Nov 10:14:00 on, after the off-delay")
    judged.book.put(replace(judged.alert(Concern.FAULTY), raise_count=3))
    chattering = lines(judged, NOW + HOUR + SECOND)[Concern.FAULTY]
    assert "after the off-delay of a chattering alert; chattering: raised 3 times" in chattering


def test_a_plain_condition() -> None:
    """A fault that is not grave is called faulty; a rule may be switched off."""
    judged = of(Condition(GUEST, ok=False, reason="paused"), Rules(faulty=FaultyRule(priority=None)))
    line = lines(judged, NOW)[Concern.FAULTY]
    assert "faulty: faulty since" in line
    assert "limits: faulty is no alert, stopped is an alarm; calls for no alert; alert normal" in line


@pytest.mark.parametrize(
    ("forecast", "words"),
    [
        (None, "100 GiB left; limits"),
        (Forecast(NOW.timestamp(), 1000, 1000, likely_s=0.0, earliest_s=0.0, full=True), "left; full; limits"),
        (Forecast(NOW.timestamp(), 9, 10, no_end=NoEnd.STILL), "left; not filling; limits"),
        (Forecast(NOW.timestamp(), 9, 10), "100 GiB left; limits"),
        (
            Forecast(NOW.timestamp(), 1, 5, no_end=NoEnd.STILL, stopped_s=NOW.timestamp()),
            "stopped growing at 20 % at 09:12; limits",
        ),
        (filling(60), "full in 60 days (90 %: 56 days to 61 days), growing 1 GiB a day for 30 days; limits"),
        (filling(60, latest=False, growth=None), "(90 %: 56 days to no upper end) for 30 days; limits"),
        (replace(filling(60), since_s=None), "growing 1 GiB a day; limits"),
    ],
)
def test_what_is_seen_of_a_level(forecast: Forecast | None, words: str) -> None:
    """Its fill and its forecast, or why there is none."""
    line = level(forecast)
    assert "pool skerry: space, full: 900 GiB of 0.98 TiB used (90 %), 100 GiB left" in line
    assert words in line


def test_why_a_level_calls_for_no_more() -> None:
    """No forecast, an end beyond the limits, a young growth, a deadband: each has its words."""
    still = level(Forecast(NOW.timestamp(), 9, 10, no_end=NoEnd.STILL))
    assert "calls for no alert, because there is no time to full" in still
    assert "calls for no alert, because the time to full is beyond every limit" in level(filling(60))
    assert "limits: caution within 30 days, warning within 7 days, alarm within 1 day" in level(filling(60))
    resting = replace(filling(5, lasted_days=1), resting_since_s=(NOW - timedelta(minutes=12)).timestamp())
    assert "not a warning: it has not grown since Tue 24 Nov 09:00:00, and raises nothing until it does" in level(
        resting
    )
    young = level(filling(5, lasted_days=1), Priority.CAUTION)
    assert "calls for a caution, not a warning: the growth has not lasted long enough" in young
    assert "(needs about 2 days 17 h)" in young
    kept = level(filling(8), Priority.WARNING)
    assert "calls for a warning, kept: still within the deadband" in kept
    assert "calls for a warning; alert" in level(filling(5), Priority.WARNING)
    assert "limits: warning within 7 days, alarm within" in level(filling(60), caution_s=None)


def test_the_explanation_agrees_with_the_rule() -> None:
    """The text about a young growth agrees with what the rule decides."""
    found = rules.judge_full(SKERRY, filling(5, lasted_days=1.8), NOW, FullRule(), None)
    assert found.priority is Priority.CAUTION
    assert "has not lasted long enough" in explain(found, LEVEL, Rules(), CALM, UTC)


def test_deadlines() -> None:
    """A recurring one is late by shares of its period, a single end is reported ahead, one may never have happened."""
    seen = Deadline(BACKUP, NOW + HOUR, NOW - HOUR, 7_200.0)
    line = lines(of(seen, Rules(overdue=OverdueRule(late_warning=0.5, late_alarm=2.0))), NOW)[Concern.OVERDUE]
    assert "overdue: due Tue 24 Nov 10:12:00, last Tue 24 Nov 08:12:00" in line
    assert "limits: warning late by 1 h" in line
    ahead = lines(of(Deadline(BACKUP, NOW + 30 * DAY), Rules()), NOW)[Concern.OVERDUE]
    assert "limits: caution within 21 days, warning within 7 days, alarm within" in ahead
    never = lines(of(Deadline(BACKUP, None, period_s=60.0), Rules()), NOW)[Concern.OVERDUE]
    assert "none found, monitored since Tue 24 Nov 09:12:00" in never


def test_why_an_alert_sends_no_messages() -> None:
    """Shelved or suppressed: until when, and by which alert."""
    shelved = replace(CALM, shelved_until=NOW + HOUR)
    assert level(None, alert=shelved).endswith("no messages: shelved until Tue 24 Nov 10:12:00")
    assert level(None, alert=replace(shelved, shelved_once=True)).endswith("10:12:00 or its next end")
    assert "shelved" not in level(None, alert=replace(CALM, shelved_until=NOW))
    held = replace(CALM, held_by=GUEST)
    assert level(None, alert=held).endswith("no messages: follows from the alert about guest tide-log: state")
    until = level(None, alert=replace(held, held_until=NOW + MINUTE))
    assert until.endswith("guest tide-log: state until Tue 24 Nov 09:13:00")


def test_what_waits_for_the_operator() -> None:
    """A warning that becomes an alarm, one that has, and an alert that waits to be acknowledged."""
    rule = FullRule(delays=Delays(escalate_s=3_600.0))
    found = Finding(SKERRY, Concern.FULL, NOW, Priority.WARNING)
    warned = replace(CALM, state=State.ACTIVE, priority=Priority.WARNING, unacknowledged_since=NOW)
    line = explain(found, LEVEL, Rules(full=rule), warned, UTC)
    assert line.endswith("an alarm from Tue 24 Nov 10:12:00 on, if not acknowledged")
    alarmed = replace(warned, priority=Priority.ALARM, escalated=True)
    assert explain(found, LEVEL, Rules(full=rule), alarmed, UTC).endswith(
        "escalated to an alarm because nobody acknowledged the warning"
    )
    assert level(None, alert=replace(CALM, state=State.RECTIFIED)).endswith("waiting to be acknowledged")


def test_an_alert_for_several_others_has_no_limits() -> None:
    """There is no sample of a group or a flood: only its reason is shown."""
    found = Finding(HUB, Concern.NOT_ANSWERING, NOW, Priority.WARNING, since=NOW, reason="hide-hub and ringing-db")
    line = explain(found, None, Rules(), Alert(HUB, Concern.NOT_ANSWERING), UTC)
    assert line == "service hide-hub: answer, not answering: hide-hub and ringing-db; calls for a warning; alert normal"
    assert explain(replace(found, reason=""), None, Rules(), Alert(HUB, Concern.NOT_ANSWERING), UTC).startswith(
        "service hide-hub: answer, not answering: calls for"
    )


def test_findings_without_instants() -> None:
    """A finding without an instant is explained too."""
    found = Finding(HUB, Concern.NOT_ANSWERING, NOW, None)
    down = explain(
        found, Answer(HUB, answered=False, reason="refused"), Rules(), Alert(HUB, Concern.NOT_ANSWERING), UTC
    )
    assert "no answer just now: refused" in down
    stale = replace(found, concern=Concern.NOT_REPORTING)
    assert "an unknown time" in explain(
        stale, Answer(HUB, answered=True), Rules(), Alert(HUB, Concern.NOT_REPORTING), UTC
    )


@given(st.text(), st.text())
def test_hostile_names_stay_on_the_line(name: str, why: str) -> None:
    """Whatever a subject is called, and whatever it says, the explanation is one printable line."""
    seen = Answer(SeriesKey(name, why), answered=False, reason=why)
    line = lines(of(seen, Rules()), NOW)[Concern.NOT_ANSWERING]
    assert len(line.splitlines()) == 1
    assert all(sign.isprintable() for sign in line)


def test_what_makes_it_news() -> None:
    """Another priority, delay, shelving or holder is another decision; another reason is not."""
    found = Finding(SKERRY, Concern.FULL, NOW, None, forecast=Forecast(NOW.timestamp(), 9, 10, no_end=NoEnd.STILL))
    same = decision(found, CALM)
    assert decision(replace(found, at=NOW + HOUR, reason="else"), CALM) == same
    assert decision(replace(found, priority=Priority.CAUTION), CALM) != same
    for change in ({"pending_since": NOW}, {"held_by": GUEST}, {"shelved_until": NOW}, {"state": State.RECTIFIED}):
        assert decision(found, replace(CALM, **change)) != same
    other = replace(found, forecast=Forecast(NOW.timestamp(), 9, 10, no_end=NoEnd.FAR))
    assert reason(found) != reason(other)
    assert reason(found) == reason(replace(found, at=NOW + HOUR))
    assert reason(replace(found, forecast=None)) != reason(found)
    assert Kind.LEVEL is LEVEL.kind
    assert NotReportingRule().intervals == 3.0
