"""What an operator asks before changing the host: one more guest, a larger one, or more of the host itself.

Not here: the answer (decide.py), and how a question is typed (cli/commands/planning/capacity.py).
"""

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

from watchkeeper.errors import WatchkeeperError
from watchkeeper.messages.wording import clean
from watchkeeper.planning.host_state import GuestNow, HostNow, StoreKind, StoreNow


class BadQuestion(WatchkeeperError):
    """The question cannot be asked of this host; the text names the wrong word and the accepted ones.

    field: the part of the question that it is about, named as the commands' options; empty for the whole.
    """

    def __init__(self, text: str, field: str = "") -> None:
        super().__init__(text)
        self.field = field


@dataclass(frozen=True, slots=True)
class Question:
    """disk_bytes, memory_bytes, cpus: of a new guest, or by how much to enlarge the guest that it `enlarges`.

    written_bytes: of the disk, what is written to it at once (its image). grows_bytes_per_day: what is written to it
    each day after that, up to its size. Both are 0 if they are not known: the second of the two futures then counts the
    whole disk. reserved: the disk takes its whole size at once. store: where to place it; None for any store that can
    hold it. host_disk_bytes: usable bytes that are added to the store; host_memory_bytes: memory added to the host.
    """

    disk_bytes: int = 0
    memory_bytes: int = 0
    cpus: int = 0
    written_bytes: int = 0
    grows_bytes_per_day: float = 0.0
    reserved: bool = False
    enlarges: str | None = None
    store: str | None = None
    host_disk_bytes: int = 0
    host_memory_bytes: int = 0

    @property
    def of_disk(self) -> bool:
        """Does it ask about a store?"""
        return self.disk_bytes > 0 or self.host_disk_bytes > 0

    @property
    def of_guest(self) -> bool:
        """Does it ask for anything for a guest?"""
        return self.disk_bytes > 0 or self.memory_bytes > 0 or self.cpus > 0


def check(question: Question, host: HostNow) -> None:
    """Raise BadQuestion if it makes no sense or names something that is not on this host."""
    if not question.of_guest and not question.of_disk and not question.host_memory_bytes:
        raise BadQuestion(
            "nothing is asked: give a disk, memory or CPUs for a guest, or disk or memory for the host", "disk"
        )
    if question.written_bytes > question.disk_bytes:
        raise BadQuestion("more is written at once than the disk can hold; enlarge the disk, or write less", "written")
    if question.grows_bytes_per_day and not question.disk_bytes:
        raise BadQuestion("growth is given without a disk; give the size of the disk", "grows")
    if question.reserved and not question.disk_bytes:
        raise BadQuestion("reserved is given without a disk; give the size of the disk", "reserved")
    if question.enlarges is not None:
        guest_named(question.enlarges, host)
    stores = candidates(question, host) if question.of_disk else ()
    if question.host_disk_bytes and question.store is None and len(stores) > 1:
        raise BadQuestion(
            f"several stores could get the disk; choose one of {_listed(s.key.subject for s in stores)}", "store"
        )


def guest_named(name: str, host: HostNow) -> GuestNow:
    """The guest of this name. Raises BadQuestion with the existing names."""
    found = next((each for each in host.guests if each.name == name), None)
    if found is None:
        near = _near(name, [each.name for each in host.guests], "guest")
        raise BadQuestion(f'there is no guest "{clean(name)}" here; {near}', "enlarge")
    return found


def candidates(question: Question, host: HostNow) -> tuple[StoreNow, ...]:
    """The stores in question: the one that is named, the one that holds the guest's disk, or all that may hold a disk.

    A file system counts only if a guest's disk is on it already, or if it is named: most hold no disks.
    """
    if question.store is not None:
        return (_named(question, host),)
    if question.enlarges is not None and question.disk_bytes:
        return (_of_guest(guest_named(question.enlarges, host), host),)
    hold = {disk.store for guest in host.guests for disk in guest.disks}
    found = [each for each in host.stores if each.kind is not StoreKind.FILES or each.key in hold]
    if question.reserved:
        found = [each for each in found if each.kind is not StoreKind.THIN]
    if not found:
        raise BadQuestion(
            "no store that could hold a disk is visible here; name one, or give watchkeeper access to the pools",
            "store",
        )
    return tuple(found)


def _named(question: Question, host: HostNow) -> StoreNow:
    name = question.store or ""
    found = next((each for each in host.stores if name in (each.key.subject, _own_name(each))), None)
    if found is None:
        subjects = [each.key.subject for each in host.stores]
        raise BadQuestion(f'there is no store "{clean(name)}" here; {_near(name, subjects, "store")}', "store")
    if question.reserved and found.kind is StoreKind.THIN:
        raise BadQuestion(
            f"{clean(found.key.subject)} holds only thin volumes, and a thin volume cannot be reserved", "reserved"
        )
    return found


def _own_name(store: StoreNow) -> str:
    """The name without its kind: `skerry` of `pool skerry`."""
    return store.key.subject.removeprefix(f"{store.kind.value} ")


def _of_guest(guest: GuestNow, host: HostNow) -> StoreNow:
    """The store that holds the guest's disks. Raises BadQuestion if there is none, or more than one."""
    keys = {disk.store for disk in guest.disks if disk.store is not None}
    found = [each for each in host.stores if each.key in keys]
    if len(found) == 1:
        return found[0]
    where = f"are on {_listed(s.key.subject for s in found)}" if found else "were not found on any store"
    raise BadQuestion(f"the disks of {clean(guest.name)} {where}; choose the store", "store")


def _near(name: str, known: list[str], what: str) -> str:
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.5) or known[:5]
    return f"known: {_listed(near)}" if near else f"no {what} is visible at all"


def _listed(names: Iterable[str]) -> str:
    return ", ".join(clean(each, 60) for each in names)
