"""Answers that become slow, over a fortnight that passes by hand; and a real service that begins to wait."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from tests.probes.toolbox import FixedClock
from watchkeeper.model.observation import Answer, Condition, Observed, SeriesKey
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.services.answer_speed import ANSWERS, WithSpeed
from watchkeeper.probes.services.tcp import TcpSettings

KEY = SeriesKey("service hide-hub", "answer")


class Service(BaseProbe):
    """Answers in the time that the test sets; None: it does not answer."""

    took_s: float | None = 0.1

    async def observe(self) -> Sequence[Observed]:
        """One answer."""
        return [Answer(KEY, self.took_s is not None, "", self.took_s)]


class House:
    """A service, its probe, and time that passes by hand."""

    def __init__(self, bench: ProbeContext) -> None:
        self.clock, self.service = FixedClock(datetime(2026, 11, 1, tzinfo=UTC)), Service()
        self.bench = replace(bench, clock=self.clock, probe_states=MemoryStateStore())
        self.start()

    def start(self) -> None:
        """Start the daemon, which knows what it kept."""
        settings = TcpSettings(name="hide-hub", host="127.0.0.1", port=9)
        self.probe = WithSpeed(self.service, settings, self.bench)

    async def windows(self, count: int, took_s: float | None) -> Condition:
        """So many times twenty answers within ten minutes; the last condition."""
        self.service.took_s = took_s
        seen: Sequence[Observed] = ()
        for _ in range(count):
            for _ in range(ANSWERS):
                self.clock.at += timedelta(seconds=30)
                seen = await self.probe.observe()
        (speed,) = [each for each in seen if isinstance(each, Condition)]
        return speed

    async def learned(self) -> None:
        """Four days of a service that is slower in the evening."""
        for _ in range(4):
            await self.windows(126, 0.1)
            await self.windows(18, 0.3)


@pytest.fixture
def house(bench: ProbeContext) -> House:
    """A service that answers fast."""
    return House(bench)


async def test_a_service_that_becomes_slow(house: House) -> None:
    """Half an hour at five times what is usual is a fault; the first usual answers end it."""
    assert (await house.windows(1, 9.0)).ok
    await house.learned()
    assert (await house.windows(6, 1.4)).ok
    assert (await house.windows(2, 9.0)).ok
    house.start()
    seen = await house.windows(1, 9.0)
    assert str(seen.key) == "service hide-hub: speed"
    assert not seen.ok
    assert seen.reason.endswith("in 95 of 100 hours they took less than 0.30 s")
    assert (await house.windows(1, 0.1)).ok


async def test_no_answer_is_no_slow_answer(house: House) -> None:
    """A service that does not answer is reported as that, and not as slow; nor as fast."""
    await house.learned()
    seen = await house.windows(10, None)
    assert (seen.ok, seen.unjudged) == (True, "not measured: it does not answer")
    assert not (await house.windows(1, 0.1)).unjudged


async def test_nothing_fast_is_slow(house: House) -> None:
    """Ten times a millisecond is not noticed by anybody."""
    for _ in range(5):
        await house.windows(144, 0.001)
    assert (await house.windows(6, 0.4)).ok


async def test_too_little_is_known_at_first(house: House) -> None:
    """It says how much has been learned."""
    seen = await house.windows(3, 0.1)
    assert seen.facts == (("still learning", "1 of 72 hours with answers"),)
    assert seen.unjudged == "still learning: 1 of 72 hours with answers"
