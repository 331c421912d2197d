"""What belongs to the thing to be changed: guests, disks, services, what it depends on. From names and dependencies.

Not here: the state of any of it (preflight.py).
"""

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from watchkeeper.alerting.correlation.dependencies import Dependencies
from watchkeeper.messages.wording import clean
from watchkeeper.model.observation import Kind, SeriesKey
from watchkeeper.model.records import Series
from watchkeeper.planning.capacity.question import BadQuestion
from watchkeeper.planning.host_state import GuestNow, HostNow, StoreNow
from watchkeeper.settings import Settings

GUEST = "guest "
ALWAYS = ("memory",)
"""What everything depends on, whatever is configured."""


@dataclass(frozen=True, slots=True)
class Target:
    """What is to be changed. subject: in words. guests and stores: those concerned. grounds: subjects that must be OK.

    services: the answers that belong to it, each with the label of its probe. whole_host: it is the host itself, which
    a change may restart.
    """

    subject: str
    guests: tuple[GuestNow, ...] = ()
    stores: tuple[StoreNow, ...] = ()
    grounds: tuple[str, ...] = ()
    services: tuple[tuple[SeriesKey, str], ...] = field(default=())
    whole_host: bool = False


def ties_of(settings: Settings, series: Sequence[Series]) -> Dependencies:
    """The dependencies that the configuration states, over every known subject."""
    ties = Dependencies({each.label: each.dependencies for each in settings.probes})
    for each in series:
        ties.place(each.key.subject, each.probe)
    return ties


def find(name: str, settings: Settings, host: HostNow, series: Sequence[Series]) -> Target:
    """Resolve a name: the host, a guest, a store, or any monitored subject. Raises BadQuestion."""
    ties = ties_of(settings, series)
    subjects = {each.key.subject for each in series}
    if name in (settings.host.label, "host"):
        stores = tuple(s for s in host.stores if _guests_on(s, host))
        found = _target(f"host {settings.host.label}", host.guests, stores or host.stores, (), ties, series)
        return replace(found, whole_host=True)
    if guest := _guest(name, host):
        return _of_guests(f"{GUEST}{guest.name}", (guest,), host, (), ties, series)
    if store := _store(name, host):
        guests = _guests_on(store, host)
        return _target(store.key.subject, guests, (store,), (store.key.subject,), ties, series)
    subject = next((each for each in (name, f"service {name}") if each in subjects), None)
    if subject is None:
        raise BadQuestion(f'nothing here is named "{clean(name, 80)}"; {_near(name, host, subjects)}')
    beneath = set(ties.dependencies_of(subject))
    guests = tuple(g for g in host.guests if f"{GUEST}{g.name}" in beneath)
    return _of_guests(subject, guests, host, (subject,), ties, series)


def _guests_on(store: StoreNow, host: HostNow) -> tuple[GuestNow, ...]:
    """The guests that have a disk there."""
    return tuple(guest for guest in host.guests if any(disk.store == store.key for disk in guest.disks))


def _guest(name: str, host: HostNow) -> GuestNow | None:
    return next((each for each in host.guests if name in (each.name, f"{GUEST}{each.name}")), None)


def _store(name: str, host: HostNow) -> StoreNow | None:
    own = {each.key.subject.removeprefix(f"{each.kind.value} "): each for each in host.stores}
    return next((each for each in host.stores if each.key.subject == name), own.get(name))


def _of_guests(
    subject: str,
    guests: tuple[GuestNow, ...],
    host: HostNow,
    own: tuple[str, ...],
    ties: Dependencies,
    series: Sequence[Series],
) -> Target:
    keys = {disk.store for guest in guests for disk in guest.disks}
    stores = tuple(each for each in host.stores if each.key in keys)
    return _target(subject, guests, stores, own, ties, series)


def _target(
    subject: str,
    guests: tuple[GuestNow, ...],
    stores: tuple[StoreNow, ...],
    own: tuple[str, ...],
    ties: Dependencies,
    series: Sequence[Series],
) -> Target:
    roots = [*own, *(f"{GUEST}{each.name}" for each in guests), *(each.key.subject for each in stores)]
    beneath = {name for root in roots for name in ties.dependencies_of(root)}
    under = [each for each in _subjects(series) if beneath & set(ties.names(each))]
    inside = {f"{word} {disk.volume}" for g in guests for disk in g.disks for word in ("dataset", "volume")}
    known = [each for each in _subjects(series) if each in inside or each in ALWAYS]
    grounds = tuple(dict.fromkeys([*roots, *under, *known]))
    return Target(subject, guests, stores, grounds, tuple(_services(roots, ties, series)))


def _subjects(series: Sequence[Series]) -> list[str]:
    return list(dict.fromkeys(each.key.subject for each in series))


def _services(roots: Iterable[str], ties: Dependencies, series: Sequence[Series]) -> list[tuple[SeriesKey, str]]:
    """The answers of what depends on it, or of itself."""
    resting = {name for root in roots for name in (root, *ties.dependents_of(root))}
    named = {f"service {root.removeprefix(GUEST)}" for root in roots if root.startswith(GUEST)}
    return [
        (each.key, each.probe) for each in series if each.kind is Kind.ANSWER and each.key.subject in resting | named
    ]


def _near(name: str, host: HostNow, subjects: set[str]) -> str:
    """Similar names, compared with whole subjects and with the names in them."""
    every = [*(f"{GUEST}{each.name}" for each in host.guests), *(each.key.subject for each in host.stores)]
    known = {word: each for each in (*sorted(subjects), *every) for word in (each, each.partition(" ")[2]) if word}
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.5) or list(known)[:5]
    found = dict.fromkeys(known[each] for each in near)
    return f"known: {', '.join(clean(each, 60) for each in found)}" if found else "nothing is monitored yet"
