"""A scripted house in which forty stores fill, each for another reason: the message names what really grew first."""

import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

import pytest

from tests.support.house import DAY, HOUR, START, House, watched
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import Level, Observation, SeriesKey

GIB = 2.0**30
QUIET = 2 * DAY
"""How long the store is quiet before something begins to grow."""
LONGEST = 12 * DAY
WALK_HOUR = 3
"""Directories are known from a walk at night; datasets, volumes and images from each look."""


@dataclass(frozen=True)
class Fill:
    """One store that fills. parts: by path, `a/b` lies in `a`. grower: the one that grows, by its path.

    shape: steady, by a job each night, in steps of three hours, or as something that is new. gib_a_day: how fast.
    """

    number: int
    store: SeriesKey
    noun: str
    grower: str
    shape: str
    gib_a_day: float

    @property
    def paths(self) -> tuple[str, ...]:
        """All parts, outermost first."""
        return DIRECTORIES if self.noun == "directory" else VOLUMES

    @property
    def walked(self) -> bool:
        """Are its parts known from the walk at night?"""
        return self.noun == "directory"

    def __str__(self) -> str:
        return f"{self.number}: {self.store.subject}, {self.grower}, {self.shape}"


DIRECTORIES = ("cams", "cams/nest", "cams/nest/2026", "var", "var/log", "var/lib", "home", "home/tern")
VOLUMES = ("hide-hub", "ringing-db", "nest-cams", "tide-log")
STORES = (
    (SeriesKey("file system /srv", "space"), "directory", DIRECTORIES),
    (SeriesKey("pool skerry", "space"), "dataset", VOLUMES),
    (SeriesKey("thin pool vg0/guests", "data"), "volume", VOLUMES),
    (SeriesKey("file system /images", "space"), "image", VOLUMES),
)
SHAPES = ("steady", "nightly", "steps", "new", "steady")


def fills() -> Iterator[Fill]:
    """Forty, the same each time."""
    chance = random.Random(11)
    for number in range(40):
        store, noun, paths = STORES[number % len(STORES)]
        shape = SHAPES[number // len(STORES) % len(SHAPES)]
        yield Fill(number, store, noun, chance.choice(paths), shape, chance.uniform(25.0, 90.0))


class Store:
    """What the store and its parts hold, hour by hour."""

    def __init__(self, fill: Fill) -> None:
        self.fill, self.chance = fill, random.Random(fill.number)
        self.own = {path: self.chance.uniform(5.0, 60.0) for path in fill.paths}
        self.drift = {path: self.chance.uniform(-0.4, 0.8) for path in fill.paths}
        self.walked: dict[str, float] = {}
        self.hour = 0
        if fill.shape == "new":
            self.own[fill.grower] = 0.0

    def next(self) -> list[Observation]:
        """An hour passes: everything drifts a little, some is cleared at night, and one grows."""
        fill, self.hour = self.fill, self.hour + 1
        for path in fill.paths:
            self.own[path] = max(self.own[path] + self.drift[path] / 24 + self.chance.gauss(0, 0.02), 0.0)
        if self.hour * HOUR > QUIET:
            self.own[fill.grower] += self.grown()
        clock = (START + self.hour * HOUR).hour
        if not self.walked or not fill.walked or clock == WALK_HOUR:
            self.walked = {path: self.whole(path) for path in fill.paths}
        return list(self.seen())

    def grown(self) -> float:
        """By how much the grower grows in this hour."""
        a_day = self.fill.gib_a_day
        match self.fill.shape:
            case "nightly":
                return a_day / 2 if self.hour % 24 in (1, 2) else 0.0
            case "steps":
                return a_day / 8 if self.hour % 3 == 0 else 0.0
            case _:
                return a_day / 24 * self.chance.uniform(0.5, 1.5)

    def whole(self, path: str) -> float:
        """What a part holds, with all below it."""
        return sum(size for each, size in self.own.items() if each == path or each.startswith(f"{path}/"))

    def seen(self) -> Iterator[Observation]:
        """The store and its parts."""
        store, noun, size = self.fill.store, self.fill.noun, 1000.0 * GIB
        for path, held in self.walked.items():
            parent = path.rpartition("/")[0]
            above = SeriesKey(f"{noun} {parent}", "size") if parent else store
            yield Level(SeriesKey(f"{noun} {path}", "size"), held * GIB, size, part_of=above)
        yield Level(store, sum(self.own.values()) * GIB, size)


async def reported(fill: Fill) -> str:
    """What the first message about the store says of what grew most; empty if there is no message."""
    house, store = House(), Store(fill)
    probe = watched(every_s=HOUR.total_seconds())
    for _ in range((QUIET + LONGEST) // HOUR):
        house.clock.run(HOUR - timedelta(seconds=15))
        await house.pipeline.review()
        house.clock.run(timedelta(seconds=15))
        probe.probe.runs = [store.next()]  # type: ignore[attr-defined]
        await house.look(probe)
        for each in house.messages:
            if each.key == fill.store and each.concern is Concern.FULL:
                return next((line.strip() for line in each.body.splitlines() if "grew most:" in line), "no grower")
    return ""


@pytest.mark.untraced
@pytest.mark.parametrize("fill", list(fills()), ids=str)
async def test_what_really_grew_stands_first(fill: Fill) -> None:
    """The first that a message names; in a directory, the deepest that holds most of it."""
    said = await reported(fill)
    assert said.startswith(f"grew most: {fill.noun} {fill.grower} "), said
