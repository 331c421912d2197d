"""Planned maintenance in the pipeline: observed and recorded, not sent, and ended by itself."""

from datetime import timedelta

import pytest

from tests.support.house import DAY, HOUR, MINUTE, House, watched
from watchkeeper.alerting.rules import NotAnsweringRule, Rules
from watchkeeper.messages.delivery.maintenance import line
from watchkeeper.model.alert import Concern, Delays, State
from watchkeeper.model.observation import Answer, Condition, SeriesKey
from watchkeeper.model.operator.maintenance import LONGEST_MAINTENANCE, MAINTENANCE, Maintenance
from watchkeeper.runtime.operator.maintenance import PlannedMaintenance

GUEST, HUB = SeriesKey("guest hide-hub", "state"), SeriesKey("service hide-hub", "answer")
RULES = Rules(not_answering=NotAnsweringRule(warning_s=120.0, alarm_s=None, delays=Delays(escalate_s=600.0)))
UP, DOWN = [Answer(HUB, answered=True)], [Answer(HUB, answered=False, reason="refused")]


async def live(house: House, seen: list[Answer], minutes: int, guest: Condition | None = None) -> None:
    """A look at the guest and at the service each minute."""
    guest = guest or Condition(GUEST, ok=True)
    for _ in range(minutes):
        await house.run(watched([guest], label="guests"), watched(seen, rules=RULES))


async def begun(house: House, subject: str = HUB.subject, lasts: timedelta = HOUR) -> None:
    """A house whose service answers, in maintenance."""
    await live(house, UP, 2)
    assert await house.pipeline.maintain(subject, house.clock.now() + lasts, "new disk")


def texts(house: House) -> list[str]:
    """The event log."""
    return [each.text for commit in house.store.commits for each in commit.events]


@pytest.mark.parametrize("subject", [HUB.subject, GUEST.subject])
async def test_what_begins_meanwhile_is_sent_when_it_is_over(subject: str) -> None:
    """Whether the subject itself is maintained, or what it depends on."""
    house = House()
    await begun(house, subject)
    await live(house, DOWN, 50)
    alert = house.store.alerts[HUB, Concern.NOT_ANSWERING]
    assert (alert.state, alert.held_by, house.messages) == (State.ACTIVE, MAINTENANCE, [])
    assert "service hide-hub: not answering (warning); maintenance, no message" in texts(house)
    await live(house, DOWN, 12)
    assert [each.key for each in house.messages] == [HUB]
    assert "the message was held back until now" in " ".join(house.messages[0].body.split())
    assert texts(house).count(f"maintenance of {subject} ended: its time is over") == 1
    assert house.pipeline.state.maintenance.all == ()


async def test_what_ends_meanwhile_is_never_sent() -> None:
    """A restart in the planned time is nobody's news."""
    house = House()
    await begun(house)
    for seen in (DOWN, UP, UP, UP):
        await live(house, seen, 20)
    assert house.messages == []


async def test_what_was_active_before_neither_escalates_nor_reminds() -> None:
    """It is kept back at once; its end is sent when the maintenance is over."""
    house = House()
    for seen in (UP, DOWN):
        await live(house, seen, 4)
    assert len(house.messages) == 1
    await house.pipeline.maintain(HUB.subject, house.clock.now() + HOUR, "")
    assert house.store.alerts[HUB, Concern.NOT_ANSWERING].held_by == MAINTENANCE
    await live(house, DOWN, 20)
    await live(house, UP, 20)
    assert len(house.messages) == 1
    assert house.store.alerts[HUB, Concern.NOT_ANSWERING].kept_back(house.clock.now())
    assert await house.pipeline.end_maintenance(HUB.subject)
    assert [each.priority for each in house.messages[1:]] == [None]
    assert f"maintenance of {HUB.subject} ended by the operator" in texts(house)
    assert not await house.pipeline.end_maintenance(HUB.subject)


async def test_what_another_alert_holds_stays_with_that() -> None:
    """The service follows from its guest, which is not maintained."""
    house = House()
    await begun(house, "service hide-hub", lasts=2 * MINUTE)
    await live(house, DOWN, 20, Condition(GUEST, ok=False, reason="stopped", grave=True))
    assert {each.key for each in house.messages} == {GUEST}
    await house.pipeline.maintain(HUB.subject, house.clock.now() + HOUR, "")
    assert house.store.alerts[HUB, Concern.NOT_ANSWERING].held_by == GUEST


async def test_an_unknown_subject() -> None:
    """Nothing is planned for it."""
    house = House()
    await begun(house)
    assert not await house.pipeline.maintain("pool nowhere", house.clock.now() + HOUR, "")


async def test_it_is_never_longer_than_a_week() -> None:
    """Also if more is asked for, and if the clock is set back."""
    house = House()
    await begun(house, lasts=90 * DAY)
    now = house.clock.now()
    (planned,) = house.pipeline.state.maintenance.all
    assert planned.until == now + LONGEST_MAINTENANCE
    assert line(planned, house.zone, now) == "service hide-hub, until Sun 8 Mar 06:02: new disk"
    assert house.pipeline.state.maintenance.take_over(now - DAY) == [planned]


async def test_a_probe_of_maintained_things_alone() -> None:
    """Its own failure is not sent; that of a probe which sees other things too is."""
    house = House()
    await begun(house)
    covered = house.pipeline.state.maintenance.covering(house.pipeline.correlation.dependencies)
    now = house.clock.now()
    assert covered("probe hide-hub", now) == now + HOUR
    assert covered("probe guests", now) is None
    assert covered("probe nothing", now) is None
    assert covered(GUEST.subject, now) is None


def test_what_was_stored_is_taken_over() -> None:
    """One for each subject."""
    now = House().clock.now()
    planned = PlannedMaintenance()
    planned.restore([Maintenance(HUB.subject, now, now + HOUR)])
    assert planned.take_over(now) == []
    assert line(planned.all[0], House().zone, now) == "service hide-hub, until Sun 1 Mar 07:00"
    assert len(planned.take_over(now + HOUR)) == 1
