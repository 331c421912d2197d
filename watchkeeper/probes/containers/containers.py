"""Containers: whether each runs and is healthy, and how near it is to the limits of its memory and its processes.

Those of an engine with the Docker Engine API (Docker, Podman), asked through the helper, and those that are only
cgroups: LXC, systemd-nspawn, and slices with limits. What an engine says is read in engine.py, cgroups in cgroups.py,
and what images and logs take in space.py.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field

from watchkeeper.config.types import Duration
from watchkeeper.model.observation import Condition, Facts, Level, Observed, SeriesKey, Unit
from watchkeeper.model.units import format_age, format_duration, format_size
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.containers import cgroups, engine, space
from watchkeeper.probes.containers.cgroups import Group, Limits
from watchkeeper.probes.containers.engine import RESTARTING, Container
from watchkeeper.probes.containers.engines import Engines
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import RootsideSettings

GROUPS_LIMIT = 256
CGROUPS = Path("sys/fs/cgroup")


def _plain_path(value: str) -> str:
    """A socket's path as the helper names it: /var/run leads to /run."""
    if not value.startswith("/"):
        raise ValueError(f"{value!r} is not an absolute path; write one such as /run/podman/podman.sock")
    return f"/run/{value.removeprefix('/var/run/')}" if value.startswith("/var/run/") else value


class ContainersSettings(RootsideSettings):
    """Containers: their state, and their memory and processes against their limits."""

    kind: Literal["containers"] = "containers"
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(30.0, description="time after which a run is abandoned")
    engines: tuple[Annotated[str, AfterValidator(_plain_path)], ...] = Field(
        ("/run/docker.sock", "/run/podman/podman.sock"),
        description="sockets of container engines with the Docker Engine API; one that is not there is left out",
    )
    expected: tuple[str, ...] = Field((), description="names of containers that must run")
    exclude: tuple[str, ...] = Field((), description="containers and slices that are left out, by name; globs")
    restarts_limit: int = Field(
        3, ge=1, le=1000, description="restarts within `restarts_within` from which a container is faulty"
    )
    restarts_within: Duration = Field(3600.0, description="the time over which restarts are counted")
    image_limit: Duration | None = Field(None, description="age of its image above which a container is faulty")
    kills_remembered: Duration = Field(
        86_400.0, description="how long a kill for too little memory counts as a fault after the last one"
    )
    space_every: Duration = Field(3600.0, description="time between looks at what images and containers take")


class Counted(BaseModel):
    """What is remembered of one container or slice. group: which cgroup the kills were counted of. ended: its end that
    was counted as a kill. kills, restarts: when they happened. count: the engine's count of restarts.
    """

    model_config = ConfigDict(frozen=True)

    group: int = 0
    group_kills: int = 0
    ended: str = ""
    kills: tuple[AwareDatetime, ...] = ()
    id: str = ""
    count: int = 0
    restarts: tuple[AwareDatetime, ...] = ()


class ContainersState(StateModel):
    """counted: by subject. host_kills: the kernel's count of all kills for memory, at looked_at."""

    counted: Mapping[str, Counted] = Field(default_factory=dict)
    host_kills: int | None = None
    looked_at: AwareDatetime | None = None


@dataclass(frozen=True, slots=True)
class _Seen:
    """One container or slice at this look: what its engine says, and what its cgroup shows."""

    subject: str
    container: Container | None = None
    limits: Limits | None = None

    @property
    def name(self) -> str:
        return self.subject.partition(" ")[2]


CLOCKS_DIFFER = timedelta(seconds=2)
"""An engine notes the end of a container a moment after it."""

TIMES_LIMIT = 100
"""Kills and restarts that are remembered of one container."""


class ContainersProbe(BaseProbe):
    """Monitors every container that an engine lists, or that is a cgroup."""

    def __init__(self, settings: ContainersSettings, context: ProbeContext, root: Path = Path("/")) -> None:
        self._settings, self._context, self._root = settings, context, root
        self._state = ProbeState(context.probe_states, settings.label, ContainersState())
        self._engines = Engines(context, settings.engines, settings.helper, settings.timeout)
        self._space_s: float | None = None
        self._space: list[Observed] = []

    async def observe(self) -> Sequence[Observed]:
        """Ask every engine, and read the cgroups."""
        unseen: list[Observed] = []
        answers = await self._engines.ask("state", unseen)
        containers = [one for each in answers.values() for one in engine.read_state(each)]
        look = partial(self._look, containers)
        seen = await self._context.workers.call("cgroups", look, self._settings.timeout)
        before, now = await self._state.read(), self._context.clock.now()
        counted = {each.subject: self._count(before.counted.get(each.subject, Counted()), each) for each in seen}
        host_kills = await self._context.workers.call("kills", self._host_kills, self._settings.timeout)
        counted |= self._unexplained(before, seen, counted, host_kills)
        await self._remember(before, ContainersState(counted=counted, host_kills=host_kills, looked_at=now))
        found = [one for each in seen for one in self._observed(each, counted[each.subject])]
        return [*found, *self._missing(seen, blind=bool(unseen)), *await self._taken(containers, unseen), *unseen]

    def _look(self, containers: Sequence[Container]) -> list[_Seen]:
        """Everything that is monitored, with its cgroup. May block."""
        root = self._root / CGROUPS
        found: dict[str, _Seen] = {}
        for each in containers:
            folder = root / each.cgroup.lstrip("/") if each.cgroup and ".." not in each.cgroup else None
            limits = cgroups.read_limits(folder) if folder else None
            found[f"container {each.label}"] = _Seen(f"container {each.label}", each, limits)
        groups: Iterator[Group] = cgroups.find(root)
        for group in groups:
            if len(found) >= GROUPS_LIMIT:
                break
            found.setdefault(group.subject, _Seen(group.subject, limits=group.limits))
        return [each for each in found.values() if not self._left_out(each.name)]

    def _left_out(self, name: str) -> bool:
        return any(fnmatchcase(name, each) for each in self._settings.exclude)

    def _count(self, before: Counted, seen: _Seen) -> Counted:
        """Add what is new since the look before: kills and restarts."""
        now, settings = self._context.clock.now(), self._settings
        container, limits = seen.container, seen.limits
        killed, ended = 0, before.ended
        if limits:
            same = limits.inode == before.group
            killed = max(limits.kills - (before.group_kills if same else 0), 0)
        if container and container.oom_killed and container.finished_at and container.finished_at != before.ended:
            killed, ended = max(killed, 1), container.finished_at
        count = container.restarts or 0 if container else 0
        restarted = max(count - before.count, 0) if container and container.id == before.id else 0
        return Counted(
            group=limits.inode if limits else before.group,
            group_kills=limits.kills if limits else before.group_kills,
            ended=ended,
            kills=_recent(before.kills, killed, now, settings.kills_remembered),
            id=container.id if container else "",
            count=count,
            restarts=_recent(before.restarts, restarted, now, settings.restarts_within),
        )

    async def _remember(self, before: ContainersState, state: ContainersState) -> None:
        """Store what has changed. The time alone is not written: a quiet host writes nothing."""
        if state == before.model_copy(update={"looked_at": state.looked_at}):
            self._state.hold(state)
        else:
            await self._state.write(state)

    def _host_kills(self) -> int | None:
        """The kernel's count of kills for memory on the whole host: proc(5), /proc/vmstat. May block."""
        return cgroups.field(self._root / "proc/vmstat", "oom_kill")

    def _unexplained(
        self, before: ContainersState, seen: Sequence[_Seen], counted: Mapping[str, Counted], host_kills: int | None
    ) -> dict[str, Counted]:
        """The container that a kill belongs to which no cgroup and no engine shows.

        A container that is killed ends with its cgroup, and Podman 4.3 with crun 1.8 was seen not to say why. It is
        taken to be that if it is the only one with a limit that ended by SIGKILL since the look before.
        """
        if host_kills is None or before.host_kills is None or before.looked_at is None:
            return {}
        now, since = self._context.clock.now(), before.looked_at - CLOCKS_DIFFER
        shown = sum(each.kills.count(now) for each in counted.values())
        ends = [
            (each.subject, each.container.finished_at)
            for each in seen
            if each.container and each.container.may_be_killed(since)
        ]
        ends = [(subject, ended) for subject, ended in ends if counted[subject].ended != ended]
        if host_kills - before.host_kills - shown < 1 or len(ends) != 1:
            return {}
        ((subject, ended),) = ends
        kills = _recent(counted[subject].kills, 1, now, self._settings.kills_remembered)
        return {subject: counted[subject].model_copy(update={"kills": kills, "ended": ended or ""})}

    def _observed(self, seen: _Seen, counted: Counted) -> Iterator[Observed]:
        if seen.container:
            killed = bool(counted.ended) and counted.ended == seen.container.finished_at
            known = seen.container.model_copy(update={"oom_killed": True}) if killed else seen.container
            yield self._condition(seen.subject, known)
            yield from self._image(seen.subject, seen.container)
            yield self._restarts(seen.subject, counted)
        elif seen.subject.startswith("container "):
            yield Condition(SeriesKey(seen.subject, "state"), ok=True)
        if seen.limits or seen.container:
            yield self._kills(seen, counted)
        if seen.limits:
            yield from _levels(seen.subject, seen.limits)

    def _condition(self, subject: str, container: Container) -> Condition:
        reason, grave = engine.why_not_ok(container, expected=container.label in self._settings.expected)
        facts: Facts = (("state", clip(container.status, 30)),)
        facts += (("its own check", clip(container.health, 30)),) if container.health else ()
        facts += (("image", clip(container.image, 80)),) if container.image else ()
        if (age_s := self._image_age_s(container)) is not None:
            facts += (("image built", f"{format_age(age_s)} ago"),)
        if (created := container.age_from) is not None:
            facts += (("created", f"{format_age((self._context.clock.now() - created).total_seconds())} ago"),)
        facts += (("after a restart of the host", _comes_back(container)),)
        facts += (("log", format_size(container.log_bytes)),) if container.log_bytes else ()
        return Condition(SeriesKey(subject, "state"), not reason, reason, grave=grave, facts=facts)

    def _image_age_s(self, container: Container) -> float | None:
        """How long ago its image was built; None if the image does not say, or names a time to come."""
        age_s = self._context.clock.now().timestamp() - (container.image_made_s or 0)
        return age_s if (container.image_made_s or 0) > 0 and age_s >= 0 else None

    def _image(self, subject: str, container: Container) -> Iterator[Condition]:
        """Whether its image is too old, if there is a limit: what was built long ago lacks what was repaired since."""
        limit_s, age_s = self._settings.image_limit, self._image_age_s(container)
        if limit_s is not None and age_s is not None:
            old = age_s > limit_s
            reason = f"its image was built {format_age(age_s)} ago, limit {format_duration(limit_s)}" if old else ""
            yield Condition(SeriesKey(subject, "image"), not old, reason)

    def _restarts(self, subject: str, counted: Counted) -> Condition:
        times, within = len(counted.restarts), format_duration(self._settings.restarts_within)
        many = times >= self._settings.restarts_limit
        reason = f"its engine restarted it {times} times within {within}" if many else ""
        return Condition(SeriesKey(subject, "restarts"), not many, reason)

    def _kills(self, seen: _Seen, counted: Counted) -> Condition:
        """Whether the kernel killed something in it lately because it reached its memory limit."""
        times, within = len(counted.kills), format_duration(self._settings.kills_remembered)
        limit = seen.limits.memory_limit if seen.limits else None
        of = f" of {format_size(limit)}" if limit else ""
        often = "once" if times == 1 else f"{times} times"
        reason = f"the kernel killed in it for its memory limit{of}, {often} within {within}" if times else ""
        return Condition(SeriesKey(seen.subject, "memory kills"), not times, reason)

    def _missing(self, seen: Sequence[_Seen], *, blind: bool) -> Iterator[Observed]:
        """The expected ones that are not there. If an engine could not be asked, it may have them."""
        there = {each.name for each in seen}
        for name in self._settings.expected:
            if name not in there and not blind:
                yield Condition(SeriesKey(f"container {name}", "state"), ok=False, reason="there is no such container")

    async def _taken(self, containers: Sequence[Container], unseen: list[Observed]) -> Sequence[Observed]:
        """What images, build cache, containers and their logs take of the file system below; looked at now and then."""
        now_s = self._context.clock.monotonic_s()
        if self._space_s is None or now_s - self._space_s >= self._settings.space_every:
            answers = await self._engines.ask("space", unseen)
            said = [engine.read_space(each) for each in answers.values()]
            kept = [each for each in containers if not self._left_out(each.label)]
            measure = partial(space.measure, said, kept, self._root / "proc")
            self._space = list(await self._context.workers.call("engines' data", measure, self._settings.timeout))
            self._space_s = now_s
            return self._space
        return ()


def _comes_back(container: Container) -> str:
    """What starts it after a restart of the host."""
    if container.unit:
        return f"is started by {clip(container.unit, 60)}"
    return "is started again" if container.policy in RESTARTING else "is not started by its engine"


def _recent(before: Sequence[datetime], new: int, now: datetime, kept_s: float) -> tuple[datetime, ...]:
    times = [each for each in before if now - each < timedelta(seconds=kept_s)]
    return tuple([*times, *[now] * min(new, TIMES_LIMIT)][-TIMES_LIMIT:])


def _levels(subject: str, limits: Limits) -> Iterator[Level]:
    """Memory and processes, where there is a limit."""
    facts: Facts = (("waits for memory", f"{limits.waits:.0%} of the last five minutes"),) if limits.waits else ()
    if limits.memory_bytes is not None and limits.memory_limit:
        yield Level(SeriesKey(subject, "memory"), limits.memory_bytes, limits.memory_limit, facts=facts)
    if limits.processes is not None and limits.processes_limit:
        yield Level(SeriesKey(subject, "processes"), limits.processes, limits.processes_limit, Unit.COUNT)
