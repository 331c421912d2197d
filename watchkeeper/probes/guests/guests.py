"""Guests under QEMU: whether each runs, and if not, why; and how much memory is allocated to them in total.

Read through each guest's own monitor socket (monitors.py), which has to be enabled where the guest is started, or
through libvirt (libvirt.py), which holds the monitors of its guests. What the states mean is decided in states.py.
"""

import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, AwareDatetime, Field, model_validator

from watchkeeper.config.types import Duration, absolute_pattern
from watchkeeper.errors import PrivilegeMissing, ProbeError, ToolMissing
from watchkeeper.model.observation import (
    Condition,
    Facts,
    Level,
    Observation,
    Observed,
    SeriesKey,
    Unit,
    Unseen,
    file_system_space,
)
from watchkeeper.model.units import format_duration, format_size
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.guests.changes import Between, KnownGuest
from watchkeeper.probes.guests.disks import GuestDisks, counted, errors_condition, images_condition
from watchkeeper.probes.guests.libvirt import LibvirtGuests, names_at
from watchkeeper.probes.guests.memory import observe_memory
from watchkeeper.probes.guests.monitors import Monitors
from watchkeeper.probes.guests.qmp import Guest
from watchkeeper.probes.guests.restarts import RestartGrace
from watchkeeper.probes.guests.sockets import Asked
from watchkeeper.probes.guests.states import GuestCondition, condition_of
from watchkeeper.probes.host.memory import read_table
from watchkeeper.probes.support.boot import boot_of, up_s
from watchkeeper.probes.support.changes import record
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import RootsideSettings

Sockets = tuple[Annotated[str, AfterValidator(absolute_pattern("/run/guests/*.qmp"))], ...]
"""Paths or globs of the sockets of guests."""


class GuestsSettings(RootsideSettings):
    """Guests under QEMU: whether each runs, and how much memory is allocated to all of them."""

    kind: Literal["guests"] = "guests"
    every: Duration = Field(30.0, description="time between runs")
    timeout: Duration = Field(5.0, description="time after which a guest's monitor is reported as not answering")
    sockets: Sockets = Field(
        (), description="the guests' QMP monitor sockets; paths or globs, such as /run/guests/*.qmp"
    )
    libvirt: str = Field(
        "",
        pattern=r"^([a-z+]+://\S*)?$",
        description="where libvirt is asked, such as qemu:///system; for guests that it manages. Empty: nowhere",
    )
    expected: tuple[str, ...] = Field((), description="names of guests that must be there")
    exclude: tuple[str, ...] = Field((), description="guests that may come and go, by name; globs")
    boot_grace: Duration = Field(
        900.0, description="time after a boot of the host during which guests that ran before may still be starting"
    )
    transient_limit: Duration = Field(600.0, description="how long a transient state, such as saving, counts as OK")
    memory_limit: float = Field(
        1.0, gt=0, le=100, description="share of the host's memory that may be allocated to guests; more is faulty"
    )
    errors_remembered: Duration = Field(
        86_400.0, description="how long reads and writes that failed count as a fault after the last of them"
    )
    snapshot_limit: Duration = Field(2_592_000.0, description="age above which a snapshot inside an image is a fault")
    layers_limit: int = Field(3, ge=0, le=1000, description="images below a disk's image; more are a fault")

    @model_validator(mode="after")
    def _some_source(self) -> Self:
        if not self.sockets and not self.libvirt:
            raise ValueError(
                "it has neither sockets nor libvirt; add one of them, such as /run/guests/*.qmp to sockets"
            )
        return self


class GuestsState(StateModel):
    """names: each guest that was seen, by the path of its socket, so that a missing guest is reported by its name.

    known: by its name, what each guest had, for planning that counts guests which do not run at the moment.
    across: what a reboot of the host has ended. errors: of each guest's disks, by the guest's name. running: the names
    of those that answered at looked_at; None before the first look.
    """

    names: Mapping[str, str] = Field(default_factory=dict)
    known: Mapping[str, KnownGuest] = Field(default_factory=dict)
    across: RestartGrace = RestartGrace()
    errors: Mapping[str, GuestDisks] = Field(default_factory=dict)
    running: frozenset[str] = frozenset()
    looked_at: AwareDatetime | None = None


class GuestsProbe(BaseProbe):
    """Monitors every guest whose QMP socket is found, and those of libvirt."""

    def __init__(self, settings: GuestsSettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        self._settings, self._clock, self._bench = settings, bench.clock, bench
        self._state = ProbeState(bench.probe_states, settings.label, GuestsState())
        self._proc = root / "proc"
        self._passing_since_s: dict[str, float] = {}
        self._promised_bytes: dict[str, int] = {}

    async def observe(self) -> Sequence[Observed]:
        """Query every monitor at once. Raises PrivilegeMissing if the sockets cannot be listed."""
        settings = self._settings
        page = await self._state.read()
        asked, unseen = await ask_guests(self._bench, settings, page.names)
        if unseen and not settings.sockets:
            return unseen
        return [*await self._judge(page, asked, not unseen), *unseen]

    async def _judge(self, page: GuestsState, asked: Sequence[Asked[Guest]], complete: bool) -> list[Observation]:  # noqa: FBT001
        """What the answers say. complete: libvirt has answered, or is not asked; otherwise its guests are left out."""
        names = names_of(asked, page.names)
        known = self._known(names, complete)
        states = {each.path: each for each in asked}
        standing = {path: self._standing(name, path, states.get(path)) for path, name in known.items()}
        across = self._across(page.across, asked, standing, up_s(self._proc))
        guests = {known[each.path]: each.guest for each in asked if each.guest and each.path in known}
        # libvirt reports neither errors nor what is in an image, so nothing says that they are OK.
        by_monitor = {name: guests[name] for path, name in known.items() if path.startswith("/") and name in guests}
        errors = self._counted(page.errors, by_monitor, names.values())
        await self._note(page, asked, names, across, errors)
        seen = list(self._states(known, standing, states, across))
        if complete:
            seen += [*self._of_all(asked, known), *self._levels(guests)]
        return [*seen, *self._disks(by_monitor, errors), *self._memories(guests)]

    def _known(self, names: Mapping[str, str], complete: bool) -> dict[str, str]:  # noqa: FBT001
        """The guests that are looked at now, by path: all but those that are excluded, or hidden by libvirt."""
        looked = {path: name for path, name in names.items() if complete or path.startswith("/")}
        return {path: name for path, name in looked.items() if not self._left_out(name)}

    def _states(
        self,
        known: Mapping[str, str],
        standing: Mapping[str, GuestCondition],
        states: Mapping[str, Asked[Guest]],
        across: RestartGrace,
    ) -> Iterator[Observation]:
        for path, name in known.items():
            if path in across.awaited:
                yield self._starting(name, up_s(self._proc))
            else:
                yield _state(name, standing[path], _guest(states.get(path)))

    def _of_all(self, asked: Sequence[Asked[Guest]], known: Mapping[str, str]) -> Iterator[Observation]:
        """The guests that are missing, and the memory of all."""
        yield from (self._missing(name) for name in self._settings.expected if name not in known.values())
        yield self._memory(asked, known)

    def _memories(self, guests: Mapping[str, Guest]) -> Iterator[Observation]:
        now_s = self._clock.now().timestamp()
        for name, guest in guests.items():
            yield from observe_memory(name, guest, now_s)

    def _counted(
        self, before: Mapping[str, GuestDisks], guests: Mapping[str, Guest], names: Collection[str]
    ) -> dict[str, GuestDisks]:
        now, kept_s = self._clock.now(), self._settings.errors_remembered
        new = {name: counted(before.get(name, GuestDisks()), guest, now, kept_s) for name, guest in guests.items()}
        return {**{name: each for name, each in before.items() if name in names}, **new}

    def _disks(self, guests: Mapping[str, Guest], errors: Mapping[str, GuestDisks]) -> Iterator[Condition]:
        """Whether the disks of each guest work, as far as its monitor shows it."""
        now, settings = self._clock.now(), self._settings
        for name, guest in guests.items():
            yield errors_condition(name, guest, errors[name], now, settings.errors_remembered)
            yield images_condition(name, guest, now, settings.snapshot_limit, settings.layers_limit)

    def _left_out(self, name: str) -> bool:
        return any(fnmatchcase(name, each) for each in self._settings.exclude)

    def _across(
        self,
        before: RestartGrace,
        asked: Sequence[Asked[Guest]],
        standing: Mapping[str, GuestCondition],
        since_s: float,
    ) -> RestartGrace:
        return before.looked(
            boot_of(self._proc),
            self._clock.now().timestamp(),
            fine={path for path, each in standing.items() if not each.reason},
            there={each.path for each in asked if each.guest},
            starting_s=self._settings.boot_grace,
            up_s=since_s,
        )

    async def _note(
        self,
        page: GuestsState,
        asked: Sequence[Asked[Guest]],
        names: Mapping[str, str],
        across: RestartGrace,
        errors: Mapping[str, GuestDisks],
    ) -> None:
        """Store every guest by its socket, including those that were seen before and are gone."""
        given = {names[each.path]: given_to(each.guest) for each in asked if each.guest}
        known = {name: each for name, each in page.known.items() if name in names.values()}
        now = self._clock.now()
        state = GuestsState(
            names=names,
            known={**known, **given},
            across=across,
            errors=errors,
            running=frozenset(given),
            looked_at=now,
        )
        if page.looked_at is not None:
            between = Between(page.known, given, page.running, state.running, page.looked_at, now)
            await record(self._bench, self._settings.label, list(between.changes()))
        # The time alone is not written: a quiet host writes nothing.
        if state == page.model_copy(update={"looked_at": now}):
            self._state.hold(state)
        else:
            await self._state.write(state)

    def _standing(self, name: str, path: str, asked: Asked[Guest] | None) -> GuestCondition:
        if asked is None and not path.startswith("/"):
            return GuestCondition("it is missing: libvirt does not know it any more")
        if asked is None:
            return GuestCondition(f"it is missing, and so is its monitor socket {printable(path)}")
        if asked.guest is None:
            return GuestCondition(asked.trouble, grave=asked.grave)
        return self._patient(name, condition_of(asked.guest))

    def _missing(self, name: str) -> Condition:
        also = ", and libvirt does not know it" if self._settings.libvirt else ""
        return _state(name, GuestCondition(f"it is missing: none of the monitor sockets belongs to it{also}"))

    def _starting(self, name: str, since_s: float) -> Condition:
        """The condition of a guest that ran until the reboot, and may still be starting. since_s: the host's uptime."""
        left = format_duration(round(self._settings.boot_grace - since_s))
        return Condition(
            SeriesKey(f"guest {name}", "state"), ok=True, facts=(("still starting", f"checked in {left}"),)
        )

    def _patient(self, name: str, standing: GuestCondition) -> GuestCondition:
        """Count a state that ends without intervention as OK for a while."""
        if not standing.passing:
            self._passing_since_s.pop(name, None)
            return standing
        now_s = self._clock.monotonic_s()
        since_s = self._passing_since_s.setdefault(name, now_s)
        return GuestCondition() if now_s - since_s < self._settings.transient_limit else standing

    def _memory(self, asked: Sequence[Asked[Guest]], known: Mapping[str, str]) -> Condition:
        """The memory allocated to all guests. One that cannot be queried now counts with its last value."""
        for each in asked:
            if each.guest and each.guest.promised_bytes is not None:
                self._promised_bytes[each.path] = each.guest.promised_bytes
        there = {each.path for each in asked}
        self._promised_bytes = {path: size for path, size in self._promised_bytes.items() if path in there}
        promised, total = sum(self._promised_bytes.values()), self._total_bytes()
        facts: Facts = (
            ("allocated to the guests", format_size(promised)),
            ("memory of the host", format_size(total)),
            *((clip(known.get(path, path)), format_size(size)) for path, size in self._promised_bytes.items()),
        )
        share, limit = promised / total, self._settings.memory_limit
        reason = f"{format_size(promised)} are allocated, {share:.0%} of the host's memory, limit {limit:.0%}"
        over = share > limit
        return Condition(SeriesKey("guests", "memory allocation"), not over, reason if over else "", facts=facts)

    def _levels(self, guests: Mapping[str, Guest]) -> Iterator[Level]:
        """Levels that are recorded and not judged: memory and vCPUs allocated, and what each guest has written.

        The written bytes start at 0 with each start of the guest, and a block that is written twice counts twice.
        """
        promised = float(sum(self._promised_bytes.values()))
        yield Level(SeriesKey("guests", "memory"), promised, self._total_bytes(), not_judged=True)
        vcpus = sum(guest.vcpus or 0 for guest in guests.values())
        yield Level(SeriesKey("guests", "vCPUs"), vcpus, os.cpu_count() or 1, Unit.COUNT, not_judged=True)
        for name, guest in guests.items():
            counted = [disk for disk in guest.disks if disk.written_bytes is not None and disk.size_bytes]
            if counted:
                written, sizes = sum(d.written_bytes or 0 for d in counted), sum(d.size_bytes or 0 for d in counted)
                yield Level(SeriesKey(f"guest {name}", "written"), written, sizes, not_judged=True)
            yield from images(name, guest, self._mounted())

    def _mounted(self) -> list[str]:
        """The mount points that files of guests may lie on, the longest first; none where the list cannot be read."""
        with suppress(OSError):
            text = os.fsdecode((self._proc / "self/mountinfo").read_bytes())
            return sorted((each.point for each in mounts.parse(text) if mounts.can_fill(each)), key=len, reverse=True)
        return []

    def _total_bytes(self) -> int:
        with (self._proc / "meminfo").open("rb") as file:
            return max(read_table(file.read().decode("ascii", "replace")).get("MemTotal", 0), 1) * 1024


def images(name: str, guest: Guest, points: Sequence[str]) -> Iterator[Level]:
    """What each image of a guest takes, as a part of the file system that it lies on. points: the longest first."""
    for disk in guest.disks:
        point = next((each for each in points if mounts.below(disk.file, [each])), None)
        if not disk.allocated_bytes or point is None or disk.file.startswith("/dev/"):
            continue
        key, most = SeriesKey(clip(f"guest {name}: image {disk.file}", 300), "size"), max(disk.size_bytes or 0, 1)
        yield Level(key, disk.allocated_bytes, most, part_of=file_system_space(printable(point)))


async def ask_guests(
    context: ProbeContext, settings: GuestsSettings, before: Mapping[str, str]
) -> tuple[list[Asked[Guest]], list[Unseen]]:
    """Ask every monitor, and libvirt. before: the names that were stored, by path.

    What libvirt cannot tell is one line for all of its guests. Raises as Monitors.ask_all does; and ProbeError if
    libvirt is the only source, may be asked, and fails.
    """
    asked, unseen = list[Asked[Guest]](), list[Unseen]()
    if settings.sockets:
        asked += await Monitors(context, settings.sockets, settings.timeout, settings.helper).ask_all()
    if settings.libvirt:
        wanted = names_at(settings.libvirt, list(before)) | frozenset(settings.expected)
        try:
            asked += await LibvirtGuests(context, settings.libvirt, settings.timeout).ask_all(wanted)
        except ProbeError as error:
            if not settings.sockets and not isinstance(error, (PrivilegeMissing, ToolMissing)):
                raise
            unseen.append(Unseen(f"guests of libvirt at {clip(settings.libvirt)}", str(error)))
    return asked, unseen


def names_of(asked: Sequence[Asked[Guest]], before: Mapping[str, str]) -> Mapping[str, str]:
    """Every guest's name by the path of its socket. before: the names that were stored.

    A guest that cannot be queried keeps the name that it reported last; one that never could be has its socket's name.
    """
    there: dict[str, str] = {}
    for each in asked:
        said = clip((each.guest.name if each.guest else each.name).strip())
        name = said or before.get(each.path) or clip(Path(each.path).stem)
        there[each.path] = f"{name} at {printable(each.path)}" if name in there.values() else name
    gone = {path: name for path, name in before.items() if path not in there and name not in there.values()}
    return {**gone, **there}


def given_to(guest: Guest) -> KnownGuest:
    """What a guest has, without the values that change from sample to sample."""
    disks = {disk.file: disk.size_bytes for disk in guest.disks}
    return KnownGuest(disks=disks, memory_bytes=guest.promised_bytes, vcpus=guest.vcpus)


def _state(name: str, standing: GuestCondition, guest: Guest | None = None) -> Condition:
    key, reason = SeriesKey(f"guest {name}", "state"), standing.reason
    return Condition(key, not reason, reason, grave=standing.grave, facts=_facts(guest) if guest else ())


def _guest(asked: Asked[Guest] | None) -> Guest | None:
    return asked.guest if asked else None


def _facts(guest: Guest) -> Facts:
    facts: Facts = (("state", clip(guest.state)),)
    facts += tuple((f"disk {clip(d.name)}", clip(f"{d.io_status}: {d.file}")) for d in guest.failing[:10])
    if guest.promised_bytes is not None:
        facts += (("memory allocated", format_size(guest.promised_bytes)),)
    if guest.granted_bytes is not None:
        facts += (("memory left by its balloon", format_size(guest.granted_bytes)),)
    return facts
