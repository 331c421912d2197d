"""Compares the host with the current configuration: what has appeared since, and what it names that is gone. Pure.

Only names are compared: a probe that monitors everything of its kind, such as `smart`, needs no additions. If a finder
could not read something, nothing of that counts as gone.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any
from urllib.parse import urlsplit

from watchkeeper.config.types import ProbeSettings
from watchkeeper.discovery.proposal import Found, Proposal, Thing, things
from watchkeeper.probes.support.sanitize import printable

ALWAYS = frozenset({"clock", "filesystems", "memory", "self-check", "after-reboot", "units"})
"""Kinds for what every host has: leaving one out is the operator's choice, and is not reported."""

URL_PORTS = {"http": 80, "https": 443}

LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


@dataclass(frozen=True, slots=True)
class Difference:
    """The differences, a line each. appeared: not monitored by the configuration. gone: named there, and not here.

    proposals: the tables for what has appeared.
    """

    appeared: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    proposals: tuple[Proposal, ...] = ()


def compare(found: Found, configured: Sequence[ProbeSettings]) -> Difference:
    """What has appeared, and what is gone. A table that is only offered is optional, and is not reported."""
    proposals = [(each, missing) for each in found.proposals if (missing := _missing(each, configured)) is not None]
    appeared = [line for each, missing in proposals for line in _lines(each, missing)]
    gone = [line for each in configured for line in _gone(each, found)]
    return Difference(tuple(appeared), tuple(dict.fromkeys(gone)), tuple(each for each, _ in proposals))


def _missing(proposal: Proposal, configured: Sequence[ProbeSettings]) -> Sequence[Thing] | None:
    """The things of it that are not monitored by name; None if all are, or if the proposal was only an offer."""
    if proposal.offered:
        return None
    same = [each for each in configured if each.kind == proposal.kind]
    if proposal.kind in ("http", "tcp"):  # One port may be monitored either way.
        same = [each for each in configured if each.kind in ("http", "tcp")]
    if not proposal.things:
        return None if same or proposal.kind in ALWAYS else ()
    missing = [thing for thing in proposal.things if not any(covers(each, thing) for each in same)]
    return missing or None


def _lines(proposal: Proposal, missing: Sequence[Thing]) -> list[str]:
    if not missing:
        return [f"{proposal.kind}: nothing of this kind is monitored yet"]
    called = "" if proposal.label == proposal.kind else f" ({printable(proposal.label)})"
    return [f"{thing.sort} {printable(thing.name)}{_like(thing) or called}" for thing in missing]


def _like(thing: Thing) -> str:
    return f" (such as {printable(thing.example)})" if thing.example else ""


def covers(settings: ProbeSettings, thing: Thing) -> bool:
    """Whether a probe monitors a thing by name, or excludes it."""
    if thing.example:
        return _covers_set(settings, thing)
    if any(fnmatchcase(thing.name, glob) for glob in getattr(settings, "exclude", ())):
        return True
    return thing in named(settings)


def _covers_set(settings: Any, thing: Thing) -> bool:  # noqa: ANN401  any kind with sets
    if thing.sort == "files":
        return any(_matches(f"{thing.name}/{thing.example}", (glob, f"{glob}/*")) for glob in settings.files)
    return _matches(thing.name, settings.origins) and _matches(thing.example, settings.name_pattern)


def _matches(name: str, globs: Iterable[str]) -> bool:
    return any(name == glob or fnmatchcase(name, glob) for glob in globs)


def _gone(settings: ProbeSettings, found: Found) -> list[str]:
    there = {(thing.sort, thing.name) for thing in found.there}
    return [
        f"{thing.sort} {printable(thing.name)}, which probe {printable(settings.label)} names"
        for thing in named(settings)
        if thing.sort in found.looked and (thing.sort, thing.name) not in there
    ]


def named(settings: ProbeSettings) -> tuple[Thing, ...]:
    """What a probe's settings name, without wildcards."""
    return _NAMED.get(settings.kind, _nothing)(settings)


def _nothing(_settings: ProbeSettings) -> tuple[Thing, ...]:
    return ()


def _literal(sort: str, globs: Iterable[str]) -> tuple[Thing, ...]:
    return things(sort, (glob for glob in globs if not any(sign in glob for sign in "*?[")))


def _port(host: str, port: int | None) -> tuple[Thing, ...]:
    """A port of this host; discovery cannot see what another host listens on."""
    return things("port", [str(port)]) if host in LOOPBACK and port else ()


def _device(settings: Any) -> tuple[Thing, ...]:  # noqa: ANN401  settings of its kind
    return things("device", [settings.serial or settings.usb])


def _ups(settings: Any) -> tuple[Thing, ...]:  # noqa: ANN401  settings of its kind
    return things("UPS", [settings.ups]) if settings.ups and settings.host in LOOPBACK else ()


def _url(settings: Any) -> tuple[Thing, ...]:  # noqa: ANN401  settings of its kind
    url = urlsplit(str(settings.url))
    return _service(settings.guest, url.hostname or "", url.port or URL_PORTS.get(url.scheme))


def _service(guest: str, host: str, port: int | None) -> tuple[Thing, ...]:
    """A port of a guest, or of this host."""
    return things("service", [f"{guest} port {port}"]) if guest else _port(host, port)


_NAMED: Mapping[str, Callable[[Any], tuple[Thing, ...]]] = {
    "filesystems": lambda s: _literal("file system", (*s.only, *s.also)),
    "zfs": lambda s: things("pool", s.pools),
    "zfs-snapshots": lambda s: _literal("snapshots of zfs", s.origins),
    "lvm-snapshots": lambda s: _literal("snapshots of lvm", s.origins),
    "btrfs-snapshots": lambda s: _literal("snapshots of btrfs", s.origins),
    "raid": lambda s: things("array", s.arrays),
    "guests": lambda s: things("guest", s.expected),
    "units": lambda s: things("unit", s.active),
    "http": _url,
    "tcp": lambda s: _service(s.guest, s.host, s.port),
    "device": _device,
    "ups": _ups,
}
"""Kind of probe -> what its settings name. A kind that is not listed names nothing that could be missing."""
