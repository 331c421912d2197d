"""What happens at the invented station, as functions of time. Pure; every name and figure is made up.

A bird observatory on an island has one server, gannet, with a pool, skerry, and four guests. For a day all is well.
Then the nightly pruning of camera footage stops, and a timer for snapshots dies; the pool fills within three days,
the guests stop, and their services with them. The operator deletes old footage, and all is well again. After eight days
the story starts again.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from watchkeeper.messages.reports.sheet import BackupPlace, HouseFacts
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey, Unit
from watchkeeper.model.units import DAY_S

GIB = 2.0**30
HISTORY = timedelta(days=28)
"""The history at the start of the demo: enough for a trend and a nightly cycle."""

ROUND = 8.0
"""Days from one start of the story to the next."""
PRUNING_STOPS, TIMER_DIES, KEEPER_COMES, TIMER_REPAIRED = 1.0, 1.6, 4.3, 4.6
"""Days into a round."""

DEPENDS_ON = {"guests": ("pool skerry",)}
"""By probe: the guests' disks are on the pool. Each service depends on the guest of the same name by default."""
HOUSE = HouseFacts(
    "gannet",
    contacts=("the warden, house by the landing: 100", "the boatman: 105; he brings spare disks"),
    notes=("gannet is in the cupboard behind the map; the key hangs in the kitchen",),
    what_if={
        "The hides are cold or dark": "look whether guest hide-hub runs; without it, use the switch in the porch",
        "The pool is full": "nothing runs then; call the warden before anything is deleted",
    },
    backups=(
        BackupPlace(("hide-hub", "ringing-db"), "job nightly-copy to petrel, at least every 26 h", "nightly-copy"),
    ),
    notifiers=("terminal",),
)
"""What the configuration of this house would say of it."""
GUESTS = ("hide-hub", "ringing-db", "nest-cams", "tide-log")
CAPACITY = 2_048 * GIB
FOOTAGE_PER_DAY = 60 * GIB
RUNAWAY_PER_DAY = 340 * GIB
"""Growth without pruning, and with more cameras than before."""

NOTES = (
    (KEEPER_COMES, "Old footage of nest-cams deleted; the pruning had stopped after an upgrade."),
    (TIMER_REPAIRED, "The snapshot timer of ringing-db is on again."),
)
"""What the operator writes into the event log, by days into a round."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment of the story. begun_at: when its first round began; the time before that was an ordinary month."""

    at: datetime
    begun_at: datetime

    @property
    def days(self) -> float:
        """Days since the first round began; negative before it."""
        return (self.at - self.begun_at).total_seconds() / DAY_S

    @property
    def into(self) -> float:
        """Days into the round; 0 before the first one."""
        return self.days % ROUND if self.days >= 0 else 0.0

    @property
    def since_three(self) -> float:
        """Share of a day since three in the morning, when footage is pruned."""
        return (self.at.timestamp() / DAY_S - 0.125) % 1.0


def pool_used(now: Moment) -> float:
    """Bytes used of the pool."""
    calm = 1_130 * GIB + 0.9 * GIB * now.days + FOOTAGE_PER_DAY * now.since_three + 2 * GIB * _stir(now, 1)
    if not PRUNING_STOPS <= now.into < KEEPER_COMES:
        return calm
    return min(calm + RUNAWAY_PER_DAY * (now.into - PRUNING_STOPS), CAPACITY)


def stopped(now: Moment) -> bool:
    """Is the pool so full that the guests have stopped?"""
    return pool_used(now) >= CAPACITY


def _stir(now: Moment, which: int) -> float:
    """A small fluctuation between -1 and 1, the same in each run."""
    hours = now.at.timestamp() / 3_600
    return (math.sin(hours * (0.7 + 0.13 * which)) + math.sin(hours * (2.9 + 0.31 * which))) / 2


def pool(now: Moment) -> Sequence[Observation]:
    """The pool's space, metadata, health and scrub."""
    full = stopped(now)
    scrubbed = now.at - timedelta(days=(now.days + 11) % 35)
    return (
        Level(SeriesKey("pool skerry", "space"), pool_used(now), CAPACITY),
        Level(SeriesKey("pool skerry", "metadata"), 0.31 + 0.002 * _stir(now, 2), 1.0, Unit.SHARE),
        Condition(
            SeriesKey("pool skerry", "health"), ok=not full, reason="suspended: no space left" * full, grave=full
        ),
        Deadline(SeriesKey("pool skerry", "scrub"), scrubbed + timedelta(days=35), scrubbed, 35 * DAY_S),
    )


def host(now: Moment) -> Sequence[Observation]:
    """The host's own file systems and memory."""
    at_noon = math.sin((now.since_three - 0.1) * math.tau)
    return (
        Level(SeriesKey("file system /", "space"), (21 + 0.02 * now.days) * GIB, 64 * GIB),
        Level(SeriesKey("file system /", "inodes"), 310_000.0 + 200 * now.days, 4_194_304.0, Unit.COUNT),
        Condition(SeriesKey("file system /", "answers"), ok=True),
        Condition(SeriesKey("file system /", "writable"), ok=True),
        Level(SeriesKey("memory", "in use"), (22 + 2 * at_noon + _stir(now, 3)) * GIB, 32 * GIB),
    )


def guests(now: Moment) -> Sequence[Observation]:
    """Whether each guest runs."""
    full = stopped(now)
    reason = "paused: I/O error, no space" * full
    return [Condition(SeriesKey(f"guest {each}", "state"), not full, reason, grave=full) for each in GUESTS]


def services(now: Moment) -> Sequence[Observation]:
    """Whether each guest's service answers, and how fast; and the certificate of hide-hub."""
    full = stopped(now)
    expires = now.begun_at + timedelta(days=61)
    seen: list[Observation] = [Deadline(SeriesKey("service hide-hub", "certificate"), expires)]
    for i, each in enumerate(GUESTS):
        key, took_s = SeriesKey(f"service {each}", "answer"), 0.038 + 0.01 * i + 0.006 * _stir(now, 4 + i)
        phases = (("name lookup", 0.001), ("connect", 0.002), ("first byte", took_s - 0.003))
        silent = Answer(key, answered=False, reason="no answer within 10 s")
        seen.append(silent if full else Answer(key, answered=True, took_s=took_s, phases=phases))
    return seen


def snapshots(now: Moment) -> Sequence[Observation]:
    """When each guest's newest snapshot was taken: at three each morning, as long as its timer works."""
    seen = []
    for each in GUESTS:
        last = now.at - timedelta(days=now.since_three)
        if each == "ringing-db" and TIMER_DIES <= now.into < TIMER_REPAIRED:
            died = Moment(now.at - timedelta(days=now.into - TIMER_DIES), now.begun_at)
            last = died.at - timedelta(days=died.since_three)
        key = SeriesKey(f"snapshots of {each}", "age of the newest")
        seen.append(Deadline(key, last + timedelta(hours=26), last, DAY_S))
    return seen


PROBES: tuple[tuple[str, float, Callable[[Moment], Sequence[Observation]]], ...] = (
    ("skerry", 1_800.0, pool),
    ("host", 3_600.0, host),
    ("guests", 600.0, guests),
    ("services", 600.0, services),
    ("snapshots", 1_800.0, snapshots),
)
"""Label, seconds between two runs, what is seen."""
