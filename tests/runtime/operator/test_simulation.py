"""A simulated alert in the pipeline: through delays and suppression, marked, and ended by itself."""

import pytest

from tests.support.house import HOUR, MINUTE, START, House, watched
from watchkeeper.alerting.rules import FullRule, NotAnsweringRule, Rules
from watchkeeper.model.alert import Concern, Delays, Priority, State
from watchkeeper.model.observation import Answer, Deadline, Level, Observation, SeriesKey
from watchkeeper.model.operator.simulation import SIMULATED

HUB, SKERRY = SeriesKey("service hide-hub", "answer"), SeriesKey("pool skerry", "space")
TEST = SeriesKey("service hide-hub", SIMULATED)
UP = [Answer(HUB, answered=True)]


async def test_it_is_sent_and_ends_by_itself() -> None:
    """Two messages, both marked; no reading, no open acknowledgement and no maintenance is left."""
    house = House()
    await house.run(watched(UP))
    assert await house.pipeline.simulate(HUB.subject, Priority.ALARM, 60.0)
    (raised,) = house.messages
    assert (raised.test, raised.priority, raised.headline) == (
        True,
        Priority.ALARM,
        "TEST: service hide-hub simulated alert, nothing has happened",
    )
    assert "This is a test" in raised.body
    assert "What to do first" not in raised.body
    await house.run(watched(UP))
    await house.run(watched(UP))
    assert house.messages[1].headline == "TEST: service hide-hub simulated alert is over (alert ended)"
    assert house.store.alerts[TEST, Concern.NOT_ANSWERING].state is State.NORMAL
    assert TEST not in {each.observation.key for commit in house.store.commits for each in commit.seen}
    kept = [each for commit in house.store.commits for each in commit.decisions if each.key == TEST]
    assert [each.choices[0].notifier for each in kept if each.message] == ["mail", "mail"]


@pytest.mark.parametrize(
    "seen", [Level(SKERRY, 1.0, 10.0), Deadline(SKERRY, START + HOUR, START, 3_600.0), Answer(SKERRY, answered=True)]
)
async def test_every_kind_of_subject(seen: Observation) -> None:
    """The concern is that of the subject, so that the routes by concern are tested."""
    house = House()
    await house.run(watched([seen]))
    await house.pipeline.simulate(SKERRY.subject, Priority.WARNING, 60.0)
    assert house.messages[0].headline.startswith("TEST: pool skerry simulated alert")
    await house.run(watched([seen]))
    await house.run(watched([seen]))
    assert "simulated alert is over" in house.messages[1].headline


async def test_the_on_delay_comes_first() -> None:
    """As for a real alert; the time that it lasts begins after it."""
    house = House()
    limits = Rules(not_answering=NotAnsweringRule(delays=Delays(on_delay_s=300.0)), full=FullRule())
    await house.run(watched(UP, rules=limits))
    await house.pipeline.simulate(HUB.subject, Priority.WARNING, 60.0)
    sent = []
    for _ in range(7):
        await house.run(watched(UP, rules=limits))
        sent.append(len(house.messages))
    assert sent == [0, 0, 0, 0, 1, 2, 2]


async def test_it_can_be_acknowledged_and_kept_back() -> None:
    """As a real one; in maintenance neither its beginning nor its end is sent."""
    house = House()
    await house.run(watched(UP))
    assert not await house.pipeline.acknowledge(TEST, Concern.NOT_ANSWERING)
    await house.pipeline.simulate(HUB.subject, Priority.WARNING, 60.0)
    assert await house.pipeline.acknowledge(TEST, Concern.NOT_ANSWERING)
    await house.run(watched(UP))
    await house.run(watched(UP))
    sent = len(house.messages)
    await house.pipeline.maintain(HUB.subject, house.clock.now() + HOUR, "")
    await house.pipeline.simulate(HUB.subject, Priority.WARNING, 60.0)
    await house.run(watched(UP))
    await house.run(watched(UP))
    assert len(house.messages) == sent


async def test_a_restart_ends_it() -> None:
    """And says so, as a test."""
    house = House()
    await house.run(watched(UP))
    await house.pipeline.simulate(HUB.subject, Priority.WARNING, 600.0)
    standing = list(house.store.alerts.values())
    again = House()
    again.clock.at = house.clock.at + MINUTE
    await again.pipeline.restore([watched(UP)], [], [], standing)
    assert [each.headline for each in again.messages] == [
        "TEST: service hide-hub simulated alert is over (alert ended)"
    ]


async def test_an_unknown_subject() -> None:
    """Nothing is raised."""
    house = House()
    await house.run(watched(UP))
    assert not await house.pipeline.simulate("pool nowhere", Priority.WARNING, 60.0)
