"""What the counters of a disk foretell, by their growth against the disk's own history. Pure.

A high value that does not grow is no sign: many disks run for years with a few reallocated sectors. Sectors that
cannot be read now are one by themselves. The sources:

- Pinheiro, Weber, Barroso, "Failure Trends in a Large Disk Drive Population", FAST 2007: after the first scan error a
  disk is 39 times likelier to fail within 60 days. More than half of the failed disks had shown none of the signs.
- An operator of 67,814 disks (article of 6 October 2016) examines every disk of which 5, 187, 188, 197 or 198 is above
  zero.
"""

from collections.abc import Mapping, Sequence

from pydantic import BaseModel, ConfigDict, Field

from watchkeeper.model.observation import Condition, Facts, SeriesKey
from watchkeeper.model.units import DAY_S
from watchkeeper.probes.storage.smart.counters import (
    INTERFACE,
    MEDIA,
    PENDING,
    REALLOCATED,
    REPORTED,
    TIMEOUTS,
    UNREADABLE,
    UNSAFE,
    Counter,
)

SIGNS = (UNREADABLE, PENDING, REPORTED, MEDIA, REALLOCATED, TIMEOUTS)
"""What foretells the end of a disk, the gravest first."""

SCANNED = frozenset({UNREADABLE, PENDING})
"""What a scan of the disk's surface finds."""

SIGNS_DAYS = 60
"""The time within which the study of 2007 counted failures."""

INTERFACE_DAYS, INTERFACE_LEAST = 7, 3
"""A transfer that failed its check is sent again. So many in a week show a cable or a plug: our own choice."""

UNSAFE_DAYS, UNSAFE_LEAST = 30, 3
"""A power cut is reported as such; so many losses of power in a month are a fault of the supply: our own choice."""

STUDY_SCAN = "39 times likelier to fail within 60 days (Pinheiro et al., FAST 2007)"
STUDY_COUNTS = "an operator of 67,814 disks examines each that shows this (2016)"
"""What the sources above say, in a line of a message."""


class CounterHistory(BaseModel):
    """One counter over time. value: the newest. rises: by how much it rose on which day (number since 1970)."""

    model_config = ConfigDict(frozen=True)

    value: int
    rises: tuple[tuple[int, int], ...] = ()

    def with_value(self, value: int, at_s: float) -> "CounterHistory":
        """The history with another value. One that fell begins again: the firmware or the disk's meaning changed."""
        today = int(at_s // DAY_S)
        kept = dict(each for each in self.rises if each[0] > today - SIGNS_DAYS)
        if value > self.value:
            kept[today] = kept.get(today, 0) + value - self.value
        return CounterHistory(value=value, rises=tuple(sorted(kept.items())))

    def risen(self, now_s: float, days: int) -> int:
        """By how much it rose within these days."""
        today = int(now_s // DAY_S)
        return sum(by for day, by in self.rises if today - days < day <= today)


class CounterHistories(BaseModel):
    """Of one disk, by `key`."""

    model_config = ConfigDict(frozen=True)

    counters: Mapping[str, CounterHistory] = Field(default_factory=dict)

    def with_counters(self, counters: Sequence[Counter], at_s: float) -> "CounterHistories":
        """The histories with what the disk counts now. A counter that was never seen before has not risen."""
        after = dict(self.counters)
        for each in counters:
            before = after.get(key(each), CounterHistory(value=each.value))
            after[key(each)] = before.with_value(each.value, at_s)
        return CounterHistories(counters=after)

    def risen(self, counter: Counter, now_s: float, days: int) -> int:
        """By how much a counter rose within these days; 0 if it has no history."""
        known = self.counters.get(key(counter))
        return known.risen(now_s, days) if known else 0


def key(counter: Counter) -> str:
    """What its history is kept under."""
    return f"{counter.name}, {counter.source}"


def observe_signs(
    subject: str, counters: Sequence[Counter], histories: CounterHistories, now_s: float, facts: Facts
) -> list[Condition]:
    """The conditions of one disk: only for what it counts, and where it is known what that means."""
    judged = {each.name: each for each in counters if each.judged}
    seen = []
    if signs := [judged[name] for name in SIGNS if name in judged]:
        seen.append(_signs(subject, signs, histories, now_s, facts))
    for name, days, least, quantity, advice in (
        (INTERFACE, INTERFACE_DAYS, INTERFACE_LEAST, "interface errors", "look at its cable and plugs"),
        (UNSAFE, UNSAFE_DAYS, UNSAFE_LEAST, "power losses", "look at its power supply"),
    ):
        if counter := judged.get(name):
            rise = histories.risen(counter, now_s, days)
            reason = f"{rise} {name} more in {days} days: {advice}" if rise >= least else ""
            seen.append(Condition(SeriesKey(subject, quantity), not reason, reason, facts=facts))
    return seen


def _signs(
    subject: str, signs: Sequence[Counter], histories: CounterHistories, now_s: float, facts: Facts
) -> Condition:
    """Whether any of its counters foretells its end, and what the studies say about it."""
    parts, studies = [], []
    for each in signs:
        rise = histories.risen(each, now_s, SIGNS_DAYS)
        if each.standing and each.value:
            parts.append(_counted(each.value, each.name) + (f" ({rise} more in {SIGNS_DAYS} days)" if rise else ""))
        elif rise:
            parts.append(f"{_counted(rise, each.name)} more in {SIGNS_DAYS} days")
        else:
            continue
        studies.append(STUDY_SCAN if each.name in SCANNED else STUDY_COUNTS)
    # First, since a message has only the first facts.
    told = tuple(("study", each) for each in dict.fromkeys(studies))
    return Condition(SeriesKey(subject, "early signs"), not parts, "; ".join(parts), facts=told + facts)


def _counted(count: int, name: str) -> str:
    return f"{count} {name}" if count != 1 else f"1 {name.removesuffix('s')}"
