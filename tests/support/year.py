"""A plausible year of one home server, as a script: troubles, harmless events, and what is visible of them.

Every name and figure is made up. Not here: running it (living.py), and counting the messages.
"""

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey, Unit

ZONE = ZoneInfo("Europe/London")
BEGAN_AT = datetime(2026, 1, 1, tzinfo=UTC)
SECOND, MINUTE, HOUR, DAY = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
NEVER = datetime(9000, 1, 1, tzinfo=UTC)
GIB = 2.0**30
GUESTS = ("hide-hub", "ringing-db", "nest-cams", "tide-log")
POOL, ROOT, TIDE = "pool skerry", "file system /", "file system /srv/tide"
DEPENDS_ON = {"guests": (POOL,), "tide": (TIDE,)}
POOL_GIB, FOOTAGE_GIB, ROOT_GIB, TIDE_GIB = 2_048.0, 60.0, 64.0, 200.0
SETTLING = 4 * HOUR
"""A message about a thing counts as caused by what ended so long ago: the longest off-delay is three hours."""


@dataclass(slots=True)
class Happening:
    """An event of the script.

    about: (beginning of a subject, concern) of what may be reported because of it. told_within: the operator must be
        notified this soon after it began; None: nothing must be reported. acts: the operator can do something about it.
        lasts: it ends without intervention after this; None: it is repaired `repaired_after` the notification.
    """

    name: str
    begins_at: datetime
    about: tuple[tuple[str, Concern], ...]
    told_within: timedelta | None = None
    acts: bool = True
    lasts: timedelta | None = None
    repaired_after: timedelta = DAY
    ends_at: datetime = NEVER
    told_at: datetime | None = None
    heard: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        if self.lasts is not None:
            self.ends_at = self.begins_at + self.lasts

    def on(self, now: datetime) -> bool:
        """Whether it is active now."""
        return self.begins_at <= now < self.ends_at

    def explains(self, subject: str, concern: Concern, at: datetime) -> bool:
        """Whether it may be the cause of a message about this."""
        known = any(subject.startswith(start) and concern is what for start, what in self.about)
        return known and self.begins_at - MINUTE <= at and (self.ends_at is NEVER or at <= self.ends_at + SETTLING)


def awake(at: datetime) -> datetime:
    """The time, or eight the next morning if it is in the operator's night (22 to 8)."""
    local = at.astimezone(ZONE)
    if 8 <= local.hour < 22:
        return at
    day = local.date() + timedelta(days=local.hour >= 22)
    return datetime.combine(day, time(8), ZONE).astimezone(UTC)


def last_run(now: datetime, at: time, *, weekday: int | None = None) -> datetime:
    """When a job that runs at this local time, daily or weekly, last began."""
    day = now.astimezone(ZONE).date() + timedelta(days=1)
    for _ in range(9):
        begun = datetime.combine(day, at, ZONE).astimezone(UTC)
        if begun <= now and weekday in (None, day.weekday()):
            return begun
        day -= timedelta(days=1)
    raise AssertionError("a week has every weekday")


class Year:
    """The script, seeded: the days are fixed, the hours and small variations are drawn."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.troubles = self._troubles()
        self.restarts = list(self._restarts())
        self.imports = self._imports()
        self.reboots = [self._day(day, 19) for day in (31, 153, 244)]
        """An upgrade of the host: it is away for four minutes."""
        self.clock_sets = [(self._day(200, 15), -HOUR), (self._day(200, 15) + 40 * MINUTE, HOUR)]
        """A time service gone wrong, and repaired."""
        self._named = {each.name: each for each in self.troubles}

    def _day(self, day: float, hour: float | None = None) -> datetime:
        """A time on that day of the year: at an hour (UTC), or at a drawn one; on a whole minute."""
        hour = self.chance.uniform(0, 24) if hour is None else hour
        return BEGAN_AT + DAY * day + MINUTE * round(60 * hour)

    def _troubles(self) -> list[Happening]:
        space, state, answer = Concern.FULL, Concern.FAULTY, Concern.NOT_ANSWERING
        cut = 3 * HOUR
        group = ("group of services", answer)
        at, made = self._day, Happening
        return [
            made("a mirror disk fails", at(20), ((POOL, state),), 15 * MINUTE, repaired_after=2.5 * DAY),
            made("the pruning of footage stops", at(40, 2), ((POOL, space),), 6 * DAY, repaired_after=1.2 * DAY),
            made("guest nest-cams crashes", at(68), _of("nest-cams"), 10 * MINUTE, repaired_after=3 * HOUR),
            made("ringing-db hangs", at(72), (("service ringing-db", answer),), 5 * MINUTE, repaired_after=HOUR),
            made("a log runs away", at(76), ((ROOT, space),), 12 * HOUR, repaired_after=2 * HOUR),
            made("tide-log chatters for an evening", at(80, 18), _of("tide-log"), 15 * MINUTE, lasts=5 * HOUR),
            made(
                "the snapshot timer of ringing-db dies",
                at(82, 12),
                (("snapshots of ringing-db", Concern.OVERDUE),),
                26 * HOUR,
                lasts=14 * DAY,
            ),
            made(
                "power cut",
                at(86),
                (("watchkeeper", Concern.NOT_REPORTING), group),
                cut + 10 * MINUTE,
                acts=False,
                lasts=cut,
            ),
            made(
                "the network is away",
                at(91, 14),
                (("service", answer), group),
                5 * MINUTE,
                acts=False,
                lasts=9 * MINUTE,
            ),
            # Full after 64 days, with an import that nobody can foresee; reported a month ahead, and no later than 20
            # days.
            made("more cameras in the nesting season", at(125), ((POOL, space),), 44 * DAY, repaired_after=2 * DAY),
            made("the nightly backup fails", at(190, 0.2), (("backup", Concern.OVERDUE),), 31 * HOUR),
            made(
                "tide-log's store is filled by a copy",
                at(215),
                (*_of("tide-log"), (TIDE, space)),
                HOUR,
                repaired_after=5 * HOUR,
            ),
            made("the certificate is not renewed", at(240), (("service hide-hub", Concern.OVERDUE),), 9 * DAY + HOUR),
            made("a log runs away again", at(262), ((ROOT, space),), 12 * HOUR, repaired_after=2 * HOUR),
            made("hide-hub hangs", at(310), (("service hide-hub", answer),), 5 * MINUTE, repaired_after=HOUR),
            made("a second mirror disk fails", at(335), ((POOL, state),), 15 * MINUTE, repaired_after=1.5 * DAY),
        ]

    def _restarts(self) -> Sequence[Happening]:
        """Services restarted for upgrades, on an evening every other week: 8 to 120 s each, most of them short."""
        made = []
        for day in range(9, 365, 14):
            begins = self._day(day, 19.5)
            for guest in GUESTS:
                lasts = SECOND * round(self.chance.triangular(8, 120, 25))
                about = ((f"service {guest}", Concern.NOT_ANSWERING), ("group of services", Concern.NOT_ANSWERING))
                at = begins + SECOND * self.chance.randint(0, 59)
                made.append(Happening(f"{guest} is restarted", at, about, acts=False, lasts=lasts))
                begins += 3 * MINUTE
        return made

    def _imports(self) -> list[tuple[Happening, float, datetime]]:
        """Images imported into the pool: (the import, GiB, when they are deleted again)."""
        drawn = []
        for day, kept in ((14, 20), (60, 900), (104, 15), (170, 900), (228, 25), (290, 900), (345, 900)):
            begins = self._day(day, 20)
            happening = Happening("an import", begins, ((POOL, Concern.FULL),), acts=False, lasts=1.5 * HOUR)
            drawn.append((happening, self.chance.uniform(40, 110), begins + kept * DAY))
        return drawn

    @property
    def harmless(self) -> list[Happening]:
        """Harmless events: nothing must be reported about them, and nothing needs to be done."""
        return [*self.restarts, *(each for each, _, _ in self.imports)]

    def on(self, name: str, now: datetime) -> bool:
        """Whether this trouble is active."""
        return self._named[name].on(now)

    def lasted_h(self, name: str, now: datetime) -> float:
        """For how many hours a trouble has lasted; 0 if it is not active."""
        each = self._named[name]
        return (now - each.begins_at) / HOUR if each.on(now) else 0.0

    def probes(self) -> Sequence[tuple[str, float, Callable[[datetime], Sequence[Observation]]]]:
        """Label, seconds between two runs in quiet periods, observations."""
        return (
            ("skerry-space", 1_800.0, self._pool_space),
            ("root-space", 3_600.0, self._root_space),
            ("memory", 3_600.0, self._memory),
            ("room", 10_800.0, self._room),
            ("skerry", 900.0, self._pool),
            ("guests", 900.0, lambda now: [self._guest(each, now) for each in GUESTS[:3]]),
            ("tide", 900.0, lambda now: [self._guest("tide-log", now)]),
            ("tide-space", 7_200.0, self._tide_space),
            ("services", 900.0, self._services),
            ("dates", 900.0, self._dates),
        )

    def _pool_space(self, now: datetime) -> Sequence[Observation]:
        days = (now - BEGAN_AT) / DAY
        ramp = FOOTAGE_GIB * min((now - last_run(now, time(3))) / DAY, 1.0)
        used = 1_050 + 0.4 * days + ramp + self.chance.gauss(0, 0.8)
        used += 60 * self.lasted_h("the pruning of footage stops", now) / 24
        used += 12 * self.lasted_h("more cameras in the nesting season", now) / 24
        for each, gib, gone_at in self.imports:
            if each.begins_at <= now < gone_at:
                used += gib * min((now - each.begins_at) / (1.5 * HOUR), 1.0)
        return [Level(SeriesKey(POOL, "space"), min(used, POOL_GIB) * GIB, POOL_GIB * GIB)]

    def _root_space(self, now: datetime) -> Sequence[Observation]:
        rotated = 0.9 * ((now - last_run(now, time(0), weekday=0)) / DAY) / 7
        ran = max(self.lasted_h(name, now) for name in ("a log runs away", "a log runs away again"))
        used = 21 + 0.008 * (now - BEGAN_AT) / DAY + rotated + 2.2 * ran + self.chance.gauss(0, 0.01)
        return [Level(SeriesKey(ROOT, "space"), min(used, ROOT_GIB) * GIB, ROOT_GIB * GIB)]

    def _tide_space(self, now: datetime) -> Sequence[Observation]:
        copied = 160 * self.lasted_h("tide-log's store is filled by a copy", now)
        used = 90 + 0.05 * (now - BEGAN_AT) / DAY + copied + self.chance.gauss(0, 0.02)
        return [Level(SeriesKey(TIDE, "space"), min(used, TIDE_GIB) * GIB, TIDE_GIB * GIB)]

    def _memory(self, now: datetime) -> Sequence[Observation]:
        noon = math.sin(((now - BEGAN_AT) / DAY - 0.3) * math.tau)
        used = 22 + 2 * noon + self.chance.gauss(0, 0.6)
        return [Level(SeriesKey("memory", "in use"), used * GIB, 32 * GIB)]

    def _room(self, now: datetime) -> Sequence[Observation]:
        """The pool's metadata, and inodes."""
        days = (now - BEGAN_AT) / DAY
        return [
            Level(SeriesKey(POOL, "metadata"), 0.31 + self.chance.gauss(0, 0.001), 1.0, Unit.SHARE),
            Level(SeriesKey(ROOT, "inodes"), 310_000.0 + 200 * days, 4_194_304.0, Unit.COUNT),
        ]

    def _pool(self, now: datetime) -> Sequence[Observation]:
        broken = self.on("a mirror disk fails", now) or self.on("a second mirror disk fails", now)
        scrubbed = last_run(now - 5 * HOUR, time(1, 30), weekday=6) + 5 * HOUR
        return [
            Condition(SeriesKey(POOL, "health"), not broken, "degraded: one disk of the mirror is faulted" * broken),
            Deadline(SeriesKey(POOL, "scrub"), scrubbed + 8 * DAY, scrubbed, (8 * DAY).total_seconds()),
        ]

    def _down(self, guest: str, now: datetime) -> bool:
        """Whether the guest itself is down."""
        if guest == "tide-log":
            return 160 * self.lasted_h("tide-log's store is filled by a copy", now) > 110
        return guest == "nest-cams" and self.on("guest nest-cams crashes", now)

    def _guest(self, guest: str, now: datetime) -> Observation:
        down = self._down(guest, now)
        return Condition(SeriesKey(f"guest {guest}", "state"), not down, "paused: I/O error" * down, grave=down)

    def _services(self, now: datetime) -> Sequence[Observation]:
        return [self._service(guest, now) for guest in GUESTS]

    def _service(self, guest: str, now: datetime) -> Observation:
        key = SeriesKey(f"service {guest}", "answer")
        hangs = {name: self.on(f"{name} hangs", now) for name in ("ringing-db", "hide-hub")}
        away = self.lasted_h("tide-log chatters for an evening", now) * 60 % 14
        silent = (
            self._down(guest, now)
            or hangs.get(guest, False)
            or self.on("the network is away", now)
            or (guest == "tide-log" and 1 < away <= 5)
            or any(each.on(now) for each in self.restarts if each.name.startswith(guest))
        )
        if silent:
            return Answer(key, answered=False, reason="no answer within 10 s")
        return Answer(key, answered=True, took_s=0.04 + 0.01 * self.chance.random())

    def _dates(self, now: datetime) -> Sequence[Observation]:
        """Snapshots, the backup job's report and a certificate of 90 days that is renewed 30 days before its end."""
        seen: list[Observation] = []
        for guest in GUESTS:
            timer = self._named["the snapshot timer of ringing-db dies"]
            lived = timer.begins_at if guest == "ringing-db" and timer.on(now) else now
            seen.append(_each_day(SeriesKey(f"snapshots of {guest}", "newest"), last_run(lived, time(2, 30)), 26))
        backup = self._named["the nightly backup fails"]
        lived = backup.begins_at if backup.on(now) else now
        seen.append(_each_day(SeriesKey("backup", "report"), last_run(lived, time(1, 15)), 30))
        seen.append(Deadline(SeriesKey("service hide-hub", "certificate"), self._certificate_ends_at(now)))
        return seen

    def _certificate_ends_at(self, now: datetime) -> datetime:
        """Renewed every sixty days; if that fails, only after the operator has intervened."""
        failed = self._named["the certificate is not renewed"]
        first = BEGAN_AT + (failed.begins_at - BEGAN_AT) % (60 * DAY)
        renewed = first + ((now - first) // (60 * DAY)) * (60 * DAY)
        if failed.on(now):
            renewed = failed.begins_at - 60 * DAY
        return renewed + 90 * DAY


def _of(guest: str) -> tuple[tuple[str, Concern], ...]:
    return ((f"guest {guest}", Concern.FAULTY), (f"service {guest}", Concern.NOT_ANSWERING))


def _each_day(key: SeriesKey, last: datetime, hours: float) -> Deadline:
    return Deadline(key, last + timedelta(hours=hours), last, hours * 3_600)


def day_of(at: datetime) -> date:
    """The operator's day."""
    return at.astimezone(ZONE).date()
