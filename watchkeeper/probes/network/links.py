"""Network ports, bonds and bridges of this host, its default route, its addresses, its name servers.

A port is judged by what it was: one that never had a cable is no fault, and slow is below the best speed ever seen on
it. What the kernel shows is read in interfaces.py. Virtual ports of guests and containers come and go and are not
monitored. Not here: whether others answer (services/).
"""

from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path
from typing import Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Facts, Level, Observed, SeriesKey, Unit
from watchkeeper.model.units import HOUR_S
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.network import interfaces
from watchkeeper.probes.network.changed import Changed, listed
from watchkeeper.probes.network.interfaces import Interface
from watchkeeper.probes.support.growth import Growth
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.state import ProbeState, StateModel

SPAN_S = HOUR_S
"""Errors and losses count within it."""

ERRORS_SHARE, ERRORS_LEAST = 0.001, 20
"""IEEE 802.3 allows a wired link one damaged bit in 10**10 or fewer, a frame in about a million. A thousand times that
is a fault; fewer than 20 are none, since a plug that is pulled makes some. Both are our own choice."""

DROPS_SHARE, DROPS_LEAST = 0.05, 1000
"""The kernel also counts frames of protocols that nobody wants, so only a large share is a fault: our own choice."""

LOSSES_LEAST = 3
"""A reboot of the switch is one loss, or two."""


class LinksSettings(ProbeSettings):
    """Network ports, bonds and bridges: carrier, speed, errors, members; the default route, own addresses, name
    servers.
    """

    kind: Literal["links"] = "links"
    every: Duration = Field(60.0, description="time between runs")
    also: tuple[str, ...] = Field(
        (), description="virtual interfaces that are monitored like ports, such as a tunnel or a VLAN; globs"
    )
    exclude: tuple[str, ...] = Field((), description="interfaces that are not monitored, such as wlan0; globs")
    any_speed: tuple[str, ...] = Field(
        (), description="interfaces that may be slower than the best speed ever seen on them; globs"
    )


class LinkHistory(BaseModel):
    """What an interface was: best_mbit, the best speed ever; carried, whether it ever had a link; its members."""

    model_config = ConfigDict(frozen=True)

    best_mbit: int = 0
    carried: bool = False
    members: tuple[str, ...] = ()

    def with_look(self, seen: Interface) -> "LinkHistory":
        """After another look."""
        return LinkHistory(
            best_mbit=max(self.best_mbit, seen.speed_mbit or 0),
            carried=self.carried or seen.carrier,
            members=tuple(sorted({*self.members, *seen.members})),
        )


class LinksState(StateModel):
    """What is kept across restarts. routes: the families that ever had a default route."""

    links: Mapping[str, LinkHistory] = Field(default_factory=dict)
    routes: tuple[str, ...] = ()
    addresses: Changed = Changed()
    prefixes: Changed = Changed()
    servers: Changed = Changed()


class _Look(NamedTuple):
    found: Sequence[Interface]
    routes: Mapping[str, str]
    addresses: tuple[str, ...]
    prefixes: tuple[str, ...]
    servers: tuple[str, ...]
    tracked: tuple[int, int] | None


class LinksProbe(BaseProbe):
    """Monitors the network of this host."""

    def __init__(self, settings: LinksSettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /sys, /proc and /etc, for tests."""
        self._settings, self._bench, self._root = settings, bench, root
        self._state = ProbeState(bench.probe_states, settings.label, LinksState())
        self._growth: dict[str, Growth] = {}

    async def observe(self) -> Sequence[Observed]:
        """Read the kernel's files. Raises ProbeError if there is no interface to monitor, now or before."""
        before, now_s = await self._state.read(), self._bench.clock.now().timestamp()
        work = partial(self._look, frozenset(before.links))
        look = await self._bench.workers.call("links", work, self._settings.timeout)
        if not look.found and not before.links:
            raise ProbeError("there is no network port with a device; remove this probe")
        after = _after(before, look, now_s)
        await self._state.write(after)
        found = {each.name: each for each in look.found}
        seen: list[Observed] = []
        for name, history in after.links.items():
            if not self._is(name, self._settings.exclude):
                seen += self._link(name, found.get(name), history, now_s)
        return [*seen, *_host(look, after, now_s)]

    @staticmethod
    def _is(name: str, globs: Sequence[str]) -> bool:
        return any(fnmatchcase(name, each) for each in globs)

    def _look(self, known: frozenset[str]) -> _Look:
        """Read it all. A bridge counts if it has, or had, a port as a member: containers have bridges without one."""
        try:
            every = interfaces.read_interfaces(
                self._root / "sys/class/net", partial(self._is, globs=self._settings.also)
            )
        except OSError as error:
            raise ProbeError(f"/sys/class/net cannot be read: {error.strerror}") from error
        wanted = [each for each in every if each.port or each.members or each.name in known]
        found = [each for each in wanted if not self._is(each.name, self._settings.exclude)]
        names, proc = {each.name for each in found}, self._root / "proc"
        return _Look(
            found,
            interfaces.default_routes(proc),
            tuple(interfaces.own_ipv4(names)),
            tuple(interfaces.own_ipv6_prefixes(proc, names)),
            tuple(interfaces.name_servers(self._root / "etc")),
            _tracked(proc / "sys/net/netfilter"),
        )

    def _link(self, name: str, seen: Interface | None, history: LinkHistory, now_s: float) -> list[Observed]:
        """The conditions of one interface. None for one that there is no more."""
        subject = f"link {printable(name)}"
        if seen is None:
            reason = "the interface does not exist any more: its device is gone, or it was renamed"
            return [Condition(SeriesKey(subject, "carrier"), ok=False, reason=reason)]
        facts = _facts(seen, history)
        found = [_members(subject, seen, history, facts)] if history.members else []
        if not seen.port:
            return [*found]
        reason = "" if seen.carrier or not history.carried else _no_carrier(seen)
        found.append(Condition(SeriesKey(subject, "carrier"), not reason, reason, facts=facts))
        if history.best_mbit:
            slow = "" if self._is(name, self._settings.any_speed) else _slow(seen, history.best_mbit)
            found.append(Condition(SeriesKey(subject, "link speed"), not slow, slow, facts=facts))
        return [*found, *self._counted(subject, seen, now_s, facts)]

    def _counted(self, subject: str, seen: Interface, now_s: float, facts: Facts) -> list[Condition]:
        """What its counters say about the last hour."""
        counters = seen.counters
        now = (counters.packets, counters.errors, counters.dropped, counters.losses)
        packets, errors, dropped, losses = self._growth.setdefault(seen.name, Growth(SPAN_S)).add(now_s, now)
        parts = []
        for count, words, share, least in (
            (errors, "errors", ERRORS_SHARE, ERRORS_LEAST),
            (dropped, "dropped frames", DROPS_SHARE, DROPS_LEAST),
        ):
            if count >= least and count > share * (packets + count):
                parts.append(f"{count} {words} in an hour, with {packets} frames")
        unsteady = f"the link was lost {losses} times within an hour" if losses >= LOSSES_LEAST else ""
        reason = "; ".join(parts)
        return [
            Condition(SeriesKey(subject, "frame errors"), not reason, reason, facts=facts),
            Condition(SeriesKey(subject, "steady"), not unsteady, unsteady, facts=facts),
        ]


def _after(before: LinksState, look: _Look, now_s: float) -> LinksState:
    # What never had a link may vanish without a word: an adapter that was plugged in for a moment.
    there = {each.name for each in look.found}
    links = {name: each for name, each in before.links.items() if name in there or each.carried or each.members}
    for each in look.found:
        links[each.name] = links.get(each.name, LinkHistory()).with_look(each)
    return LinksState(
        links=links,
        routes=tuple(sorted({*before.routes, *look.routes})),
        addresses=before.addresses.with_values(look.addresses, now_s),
        prefixes=before.prefixes.with_values(look.prefixes, now_s),
        servers=before.servers.with_values(look.servers, now_s),
    )


def _facts(seen: Interface, history: LinkHistory) -> Facts:
    facts: Facts = ()
    if seen.speed_mbit:
        facts += (("speed", f"{seen.speed_mbit} Mbit/s{', half duplex' if seen.half_duplex else ''}"),)
    if history.best_mbit > (seen.speed_mbit or 0):
        facts += (("best speed ever", f"{history.best_mbit} Mbit/s"),)
    if seen.members:
        facts += (("members", printable(", ".join(seen.members))),)
    return facts


def _no_carrier(seen: Interface) -> str:
    return "no link: cable, or the device at its other end" if seen.up else "it is switched off on this host"


def _slow(seen: Interface, best_mbit: int) -> str:
    """Why it is slower than it was; empty if it is not, or has no link at all."""
    if seen.speed_mbit is None:
        return ""
    if seen.speed_mbit < best_mbit:
        return f"{seen.speed_mbit} Mbit/s, it was {best_mbit} Mbit/s: often a damaged pair of the cable"
    return f"{seen.speed_mbit} Mbit/s in half duplex" if seen.half_duplex else ""


def _members(subject: str, seen: Interface, history: LinkHistory, facts: Facts) -> Condition:
    gone = [each for each in history.members if each not in seen.members]
    parts = [f"{printable(each)} is not a member any more" for each in gone]
    parts += [f"{printable(each)} has no link" for each in seen.down]
    return Condition(SeriesKey(subject, "members"), not parts, "; ".join(parts), facts=facts)


def _host(look: _Look, state: LinksState, now_s: float) -> list[Observed]:
    """What belongs to the whole host: only what it has, or had."""
    seen: list[Observed] = []
    if state.routes:
        lost = [each for each in state.routes if each not in look.routes]
        reason = f"no default route for {' and '.join(lost)}" if lost else ""
        facts = tuple((f"default route, {family}", f"through {name}") for family, name in sorted(look.routes.items()))
        seen.append(Condition(SeriesKey("host", "default route"), not reason, reason, facts=facts))
    if state.addresses.now or state.prefixes.now:
        parts = [each.reason(now_s) for each in (state.addresses, state.prefixes)]
        seen.append(_unchanged("own addresses", parts, look.addresses + look.prefixes))
    if state.servers.now:
        none = "" if look.servers else "/etc/resolv.conf names no server"
        seen.append(_unchanged("name servers", [none, state.servers.reason(now_s)], look.servers))
    if look.tracked:
        used, limit = look.tracked
        seen.append(Level(SeriesKey("host", "tracked connections"), used, limit, Unit.COUNT))
    return seen


def _unchanged(quantity: str, parts: Sequence[str], values: tuple[str, ...]) -> Condition:
    reason = "; ".join(filter(None, parts))
    return Condition(SeriesKey("host", quantity), not reason, reason, facts=(("now", listed(values)),))


def _tracked(folder: Path) -> tuple[int, int] | None:
    """Connections that the firewall tracks, and their limit; None where it does not."""
    try:
        used, limit = (int((folder / f"nf_conntrack_{each}").read_text("ascii")) for each in ("count", "max"))
    except (OSError, ValueError):
        return None
    return (used, limit) if limit > 0 else None
