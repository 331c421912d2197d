"""What is explained by `run --verbose`, and how often."""

import logging

import pytest

from tests.support.house import DAY, HOUR, MINUTE, House, watched
from watchkeeper.alerting import explain
from watchkeeper.alerting.correlation.group_alerts import GROUP
from watchkeeper.alerting.rules import FaultyRule, NotAnsweringRule, Rules
from watchkeeper.model.alert import Delays
from watchkeeper.model.observation import Answer, Condition, Level, SeriesKey
from watchkeeper.model.operator.decision import Decision, RouteChoice

BACKUP = SeriesKey("job backup", "result")
HUB, RINGING = SeriesKey("service hide-hub", "answer"), SeriesKey("service ringing-db", "answer")
UP, DOWN = [Answer(HUB, answered=True)], [Answer(HUB, answered=False, reason="refused")]
RULES = Rules(not_answering=NotAnsweringRule(warning_s=120.0, alarm_s=None))


@pytest.fixture
def verbose(caplog: pytest.LogCaptureFixture) -> pytest.LogCaptureFixture:
    """Somebody reads why."""
    caplog.set_level(logging.DEBUG, "watchkeeper.periodic.decision_log")
    return caplog


def about_hub(caplog: pytest.LogCaptureFixture) -> list[str]:
    """The lines about the service's silence."""
    start = "service hide-hub: answer, not answering: "
    return [each.getMessage().removeprefix(start) for each in caplog.records if each.getMessage().startswith(start)]


async def test_each_new_decision_is_explained_once(verbose: pytest.LogCaptureFixture) -> None:
    """OK, lost, raised, back, ended: a line each, whatever the number of runs between."""
    house = House()
    for seen in (UP, DOWN, UP):
        probe = watched(seen, rules=RULES)
        for _ in range(6):
            await house.run(probe)
    lines = about_hub(verbose)
    assert [line.split("; ")[0] for line in lines] == [
        "answering",
        "no answer since Sun 1 Mar 06:07:00: refused",
        "no answer since Sun 1 Mar 06:07:00: refused",
        "answering",
    ]
    assert "calls for no alert, the next limit is reached Sun 1 Mar 06:09:00; alert normal" in lines[1]
    assert lines[2].endswith("calls for a warning; alert active (warning)")
    assert lines[3].endswith("alert rectified; waiting to be acknowledged")
    assert verbose.records[0].__dict__["watchkeeper"]["event"] == "reason"


async def test_what_stays_is_explained_once_an_hour(verbose: pytest.LogCaptureFixture) -> None:
    """A decision that does not change is one line an hour, not one for each run."""
    house = House()
    for _ in range(4 * 60):
        await house.run(watched(UP, rules=RULES))
    assert len(about_hub(verbose)) == 4


async def test_another_reason_for_the_same_is_logged_at_intervals(verbose: pytest.LogCaptureFixture) -> None:
    """A reason that changes often does not fill the log; a clock that was set back delays nothing."""
    house = House()
    for number in range(20):
        await house.run(watched([Answer(HUB, answered=False, reason=f"r{number}")], rules=Rules()))
    assert 3 <= len(about_hub(verbose)) <= 7
    verbose.clear()
    house.clock.set(-DAY)
    await house.run(watched(DOWN, rules=Rules()))
    assert about_hub(verbose)


async def test_suppressed_alerts_and_their_cause_are_explained(verbose: pytest.LogCaptureFixture) -> None:
    """Two services that stop answering at once follow from one alert: both explanations say so."""
    house = House()
    both = [Answer(key, answered=False, reason="no route") for key in (HUB, RINGING)]
    for _ in range(6):
        await house.run(watched(both, rules=RULES))
    assert any("follows from the alert about group of services: answer" in line for line in about_hub(verbose))
    assert any(each.getMessage().startswith("group of services: answer, not answering: ") for each in verbose.records)


async def test_what_is_not_seen_for_long_is_removed(verbose: pytest.LogCaptureFixture) -> None:
    """A series that is not seen for weeks is explained as removed, and leaves nothing behind."""
    house, pool = House(), SeriesKey("pool skerry", "space")
    await house.run(watched([Level(pool, 1.0, 10.0)], every_s=3600.0))
    for _ in range(15 * 24):
        house.clock.run(HOUR - 2 * MINUTE)
        house.pipeline.state.clocks = None  # an hour without a look is no gap here
        await house.run(watched(list[Level](), every_s=3600.0), after=2 * MINUTE)
    assert any("no longer monitored" in each.getMessage() for each in verbose.records)
    assert pool not in house.registry


async def test_without_verbose(monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    """Without --verbose no line is made."""
    caplog.set_level(logging.INFO)
    monkeypatch.setattr(explain, "explain", None)
    house = House()
    for _ in range(5):
        await house.run(watched(DOWN, rules=RULES), after=MINUTE)
    assert house.pipeline.state.reasons is None
    assert len(house.messages) == 1


def kept(house: House, key: SeriesKey = HUB) -> list[Decision]:
    """The decisions of the rules about a series that were stored."""
    every = [each for commit in house.store.commits for each in commit.decisions]
    return [each for each in every if each.key == key and each.steps]


async def test_decisions_are_kept_without_verbose() -> None:
    """Raised and ended: one each, however many runs are between; and what was sent, with the routes."""
    house = House()
    for seen in (UP, DOWN, UP):
        probe = watched(seen, rules=RULES)
        for _ in range(6):
            await house.run(probe)
    assert [each.steps[-1] for each in kept(house)] == [
        "alert active (warning)",
        "alert rectified; waiting to be acknowledged",
    ]
    sent = [each for commit in house.store.commits for each in commit.decisions if each.message]
    assert [each.choices for each in sent] == [(RouteChoice("mail"),)] * 2
    assert sent[0].headline == house.messages[0].headline


async def test_a_pending_change_is_kept_at_intervals() -> None:
    """A fault that comes and goes with each run, without an alert, does not fill the database."""
    house, delayed = House(), Rules(faulty=FaultyRule(delays=Delays(on_delay_s=300.0)))
    for number in range(60):
        await house.run(watched([Condition(BACKUP, ok=number % 2 == 0, reason="late")], rules=delayed))
    assert 2 <= len(kept(house, BACKUP)) <= 60 / 5 + 2
    assert "after the on-delay" in kept(house, BACKUP)[0].steps[-1]


async def test_a_suppressed_alert_says_by_what() -> None:
    """Both services that stop at once, and the group that reports them."""
    house = House()
    both = [Answer(key, answered=False, reason="no route") for key in (HUB, RINGING)]
    for _ in range(6):
        await house.run(watched(both, rules=RULES))
    assert any("follows from the alert about group of services" in each.steps[-1] for each in kept(house))
    assert [each.steps[-1] for each in kept(house, GROUP)][-1].startswith("alert active")


async def test_a_level_with_a_date_is_kept_though_nothing_is_raised() -> None:
    """Why nobody was notified: the growth had not lasted long enough."""
    house, pool = House(), SeriesKey("pool skerry", "space")
    for number in range(90):
        used = 500.0 + max(number - 60, 0) * 2.0
        await house.run(watched([Level(pool, used, 1000.0)]))
    reasons = [step for each in kept(house, pool) for step in each.steps if step.startswith("calls for")]
    assert any("has not lasted long enough" in each or "no alert" in each for each in reasons)
