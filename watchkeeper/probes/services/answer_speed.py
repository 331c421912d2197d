"""Whether answers of a service have become much slower than its own history: added to the probes that measure it.

A service that still answers after nine seconds counts as answering. What is usual is learned from the answers of a
fortnight (support/usual.py).
"""

import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import update_wrapper

from pydantic import Field

from watchkeeper.config.types import ProbeSettings
from watchkeeper.model.observation import (
    LEARNING,
    NOT_MEASURED,
    Answer,
    Condition,
    Facts,
    Observed,
    SeriesKey,
)
from watchkeeper.probes.base import Probe, ProbeContext
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.usual import HOURS_LEAST, Usual

ANSWERS = 20
"""The median of so many answers is one value: ten minutes at an answer every 30 seconds."""

FLOOR_S = 0.5
"""Nothing faster is slow: people begin to notice a delay of this size. Common practice, from memory."""


class SpeedSettings(ProbeSettings):
    """What the settings of a probe have whose answers are judged by their speed."""

    slow_factor: float = Field(
        5.0, gt=1, le=1e6, description="answers that take so many times as long as usual, for half an hour, are a fault"
    )


class Speeds(StateModel):
    """What is usual, by the subject of the answer."""

    subjects: Mapping[str, Usual] = Field(default_factory=dict)


class WithSpeed:
    """A probe with a condition beside each answer: whether it comes as fast as usual."""

    def __init__(self, probe: Probe, settings: SpeedSettings, bench: ProbeContext) -> None:
        self._probe, self._factor, self._clock = probe, settings.slow_factor, bench.clock
        self._state = ProbeState(bench.probe_states, f"{settings.label} speed", Speeds())
        self._answers: dict[str, list[float]] = {}

    async def observe(self) -> Sequence[Observed]:
        """What the probe observed, and the speed of each answer. Raises as the probe does."""
        observed = list(await self._probe.observe())
        answers = [each for each in observed if isinstance(each, Answer)]
        return [*observed, *[await self._speed(each) for each in answers]]

    async def close(self) -> None:
        """Close the probe."""
        await self._probe.close()

    async def _speed(self, answer: Answer) -> Condition:
        """Add an answer. One that did not come says nothing about the speed of those that do."""
        subject, known = answer.key.subject, (await self._state.read()).subjects
        usual = known.get(subject, Usual())
        waiting = self._answers.setdefault(subject, [])
        if answer.answered and answer.took_s is not None:
            waiting.append(answer.took_s)
        if len(waiting) >= ANSWERS:
            value = statistics.median(waiting)
            waiting.clear()
            usual = usual.with_value(value, self._limit_s(usual), self._clock.now().timestamp())
            await self._state.write(Speeds(subjects={**known, subject: usual}))
        seen = self._condition(subject, usual, statistics.median(waiting) if waiting else None)
        if answer.answered:
            return seen
        return replace(seen, facts=(*seen.facts, (NOT_MEASURED, "it does not answer")))

    def _limit_s(self, usual: Usual) -> float:
        return max(self._factor * usual.usual, FLOOR_S) if usual.usual is not None else float("inf")

    def _condition(self, subject: str, usual: Usual, median_s: float | None) -> Condition:
        facts: Facts = (("in 95 of 100 hours below", f"{usual.usual:.2f} s"),) if usual.usual is not None else ()
        if usual.usual is None:
            facts = ((LEARNING, f"{len(usual.hours)} of {HOURS_LEAST} hours with answers"),)
        took = f"take {median_s:.1f} s" if median_s is not None and usual.lasting else "take much longer than usual"
        reason = f"answers {took}, in 95 of 100 hours they took less than {usual.usual:.2f} s" if usual.lasting else ""
        return Condition(SeriesKey(subject, "speed"), not reason, reason, facts=facts)


def with_speed(make: Callable[..., Probe]) -> Callable[..., WithSpeed]:
    """Make a probe of this kind with the speed of its answers. The result says in which module the probe is."""

    def made(settings: SpeedSettings, bench: ProbeContext) -> WithSpeed:
        return WithSpeed(make(settings, bench), settings, bench)

    return update_wrapper(made, make, assigned=("__module__",), updated=())
