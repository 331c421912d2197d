"""Guests under QEMU: whether each runs, and if not, why; and how much memory is allocated to them in total.

Read through each guest's own monitor socket (monitors.py), which has to be enabled where the guest is started, or
through libvirt (libvirt.py), which holds the monitors of its guests. What the states mean is decided in states.py.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path

from pydantic import AwareDatetime, Field

from watchkeeper.model.observation import Condition, Facts, Level, Observation, Observed, SeriesKey, Unseen
from watchkeeper.model.units import format_duration, format_size
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.guests import disk_space
from watchkeeper.probes.guests.allocation import Allocation
from watchkeeper.probes.guests.changes import Between, KnownGuest, given_to
from watchkeeper.probes.guests.disks import GuestDisks, counted, errors_condition, images_condition
from watchkeeper.probes.guests.memory import observe_memory
from watchkeeper.probes.guests.qmp import Guest
from watchkeeper.probes.guests.restarts import RestartGrace
from watchkeeper.probes.guests.settings import GuestsSettings
from watchkeeper.probes.guests.sockets import Asked
from watchkeeper.probes.guests.sources import ask_guests, names_of
from watchkeeper.probes.guests.states import GuestCondition, condition_of
from watchkeeper.probes.support.boot import boot_of, up_s
from watchkeeper.probes.support.changes import record
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel


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
        self._allocation = Allocation(self._proc, settings.memory_limit)

    async def observe(self) -> Sequence[Observed]:
        """Query every monitor at once. Raises PrivilegeMissing if the sockets cannot be listed."""
        settings = self._settings
        page = await self._state.read()
        asked, unseen = await ask_guests(self._bench, settings, page.names)
        if unseen and not settings.sockets:
            return unseen
        return [*await self._judge(page, asked, not unseen), *unseen]

    async def _judge(self, page: GuestsState, asked: Sequence[Asked[Guest]], complete: bool) -> list[Observed]:  # noqa: FBT001
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
            seen += [*self._of_all(asked, known), *self._allocation.levels(guests.values()), *self._taken(guests)]
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
    ) -> Iterator[Observed]:
        for path, name in known.items():
            asked = states.get(path)
            if asked is not None and asked.forbidden:
                yield Unseen(f"guest {name}: whether it runs", asked.trouble)
            elif path in across.awaited:
                yield self._starting(name, up_s(self._proc))
            else:
                yield _state(name, standing[path], asked.guest if asked else None)

    def _of_all(self, asked: Sequence[Asked[Guest]], known: Mapping[str, str]) -> Iterator[Observation]:
        """The guests that are missing, and the memory of all."""
        yield from (self._missing(name) for name in self._settings.expected if name not in known.values())
        yield self._allocation.memory(asked, known)

    def _taken(self, guests: Mapping[str, Guest]) -> Iterator[Level]:
        points = mounts.points_by_length(self._proc)
        for name, guest in guests.items():
            yield from disk_space.written(name, guest)
            yield from disk_space.images(name, guest, points)

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


def _state(name: str, standing: GuestCondition, guest: Guest | None = None) -> Condition:
    key, reason = SeriesKey(f"guest {name}", "state"), standing.reason
    return Condition(key, not reason, reason, grave=standing.grave, facts=_facts(guest) if guest else ())


def _facts(guest: Guest) -> Facts:
    facts: Facts = (("state", clip(guest.state)),)
    facts += tuple((f"disk {clip(d.name)}", clip(f"{d.io_status}: {d.file}")) for d in guest.failing[:10])
    if guest.promised_bytes is not None:
        facts += (("memory allocated", format_size(guest.promised_bytes)),)
    if guest.granted_bytes is not None:
        facts += (("memory left by its balloon", format_size(guest.granted_bytes)),)
    return facts
