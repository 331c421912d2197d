"""What a host does when a station asks it to acknowledge an alert."""

import pytest

from tests.support.house import House, watched
from watchkeeper.archive.requests import AckRequest
from watchkeeper.daemon.archive_requests import ArchiveRequests
from watchkeeper.model.alert import Concern, State
from watchkeeper.model.observation import Answer, SeriesKey
from watchkeeper.model.records import Entry
from watchkeeper.runtime.runner import Runner

HUB = SeriesKey("service hide-hub", "answer")
DOWN, UP = [Answer(HUB, answered=False, reason="connection refused")], [Answer(HUB, answered=True)]


async def failing() -> House:
    """A house with an active alert."""
    house = House()
    probe = watched(DOWN)
    await house.run(probe)
    await house.run(probe)
    return house


def asked(episode: int = 1, age_s: float = 5.0, key: SeriesKey = HUB) -> AckRequest:
    """A request of the station puffin."""
    return AckRequest(1, "puffin", key, Concern.NOT_ANSWERING, episode, age_s)


async def test_it_is_acknowledged_as_by_the_operator() -> None:
    """The alert is acknowledged, and the event log says through whom; a second time it was so already."""
    house = await failing()
    requests = ArchiveRequests(Runner(house.pipeline, ()), accepted=True)
    assert await requests.carry_out([asked(), asked()]) == ["acknowledged", "it was acknowledged already"]
    assert house.store.alerts[HUB, Concern.NOT_ANSWERING].state is State.ACKNOWLEDGED
    notes = [line.text for line in house.store.events if line.entry is Entry.NOTE]
    assert notes == [
        "the station puffin asked to acknowledge this: acknowledged",
        "the station puffin asked to acknowledge this: it was acknowledged already",
    ]


@pytest.mark.parametrize(
    ("request_", "accepted", "said"),
    [
        (asked(), False, "this host does not do what stations ask; set archive.accept_requests = true on it"),
        (asked(age_s=86_401.0), True, "nothing was done: the request was more than a day old"),
        (asked(episode=2), True, "nothing was done: the alert has changed since"),
        (asked(key=SeriesKey("service tide-log", "answer")), True, "nothing was done: the alert has changed since"),
    ],
)
async def test_what_is_not_done_is_said(request_: AckRequest, *, accepted: bool, said: str) -> None:
    """The alert stays as it is."""
    house = await failing()
    requests = ArchiveRequests(Runner(house.pipeline, ()), accepted=accepted)
    (answer,) = await requests.carry_out([request_])
    assert answer.startswith(said)
    assert house.store.alerts[HUB, Concern.NOT_ANSWERING].state is State.ACTIVE


async def test_an_alert_that_has_ended_since() -> None:
    """It was ended and acknowledged meanwhile: nothing is done."""
    house = await failing()
    await house.run(watched(UP))
    await house.pipeline.acknowledge(HUB, Concern.NOT_ANSWERING)
    requests = ArchiveRequests(Runner(house.pipeline, ()), accepted=True)
    assert await requests.carry_out([asked()]) == ["nothing was done: the alert is no longer active"]
