"""What is inside what: the host's stores, the guests on each, and what is inside a guest, from the known dependencies.

Pure. Not here: how each of them is, in words (house_state.py).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from watchkeeper.model.observation import Level
from watchkeeper.web.dashboard.cause_tree import DependentsOf
from watchkeeper.web.dashboard.dashboard import Item

STORES = ("pool ", "thin pool ", "volume group ", "file system ")
GUEST, CONTAINER, SERVICE, HOST = "guest ", "container ", "service ", "host "
"""What the subjects of each sort begin with."""

HOLDERS = (*STORES, GUEST, CONTAINER)
"""What something else can be inside of. What only depends on another machine or on a router is not inside of it."""


@dataclass(frozen=True, slots=True)
class Node:
    """A subject with its own series, and what is inside it."""

    subject: str
    items: tuple[Item, ...]
    inside: tuple["Node", ...] = ()


def build_tree(items: Iterable[Item], dependents_of: DependentsOf) -> list[Node]:
    """The outermost nodes, in the given order; not parts of a level, nor what has neither a level nor a holder.

    dependents_of: returns the subjects that depend on a subject, directly or through another one.
    """
    known = _by_subject(items)
    parents = _parents(known, dependents_of)
    children: dict[str, list[str]] = {}
    for subject in known:
        if subject in parents:
            children.setdefault(parents[subject], []).append(subject)

    def node(subject: str) -> Node:
        return Node(subject, tuple(known[subject]), tuple(node(each) for each in children.get(subject, ())))

    return [node(subject) for subject, own in known.items() if subject not in parents and _outermost(subject, own)]


def _by_subject(items: Iterable[Item]) -> Mapping[str, list[Item]]:
    known: dict[str, list[Item]] = {}
    for item in items:
        if not (isinstance(item.observation, Level) and item.observation.part_of is not None):
            known.setdefault(item.key.subject, []).append(item)
    return known


def _outermost(subject: str, own: Sequence[Item]) -> bool:
    """Is it listed if it is inside nothing? A machine that is only pinged is not part of this host."""
    if subject.startswith((*HOLDERS, SERVICE)):
        return True
    return any(isinstance(each.observation, Level) and not each.observation.not_judged for each in own)


def _parents(known: Mapping[str, Sequence[Item]], dependents_of: DependentsOf) -> Mapping[str, str]:
    """The nearest holder of each subject: of those on which it depends, the one with the fewest dependents."""
    found: dict[str, tuple[int, str]] = {}
    for holder in known:
        if not holder.startswith(HOLDERS):
            continue
        dependents = dependents_of(holder)
        for subject in dependents:
            if subject not in known or not _fits(subject, holder) or holder in dependents_of(subject):
                continue
            found[subject] = min(found.get(subject, (len(dependents), holder)), (len(dependents), holder))
    return {subject: holder for subject, (_, holder) in found.items()}


def _fits(subject: str, holder: str) -> bool:
    """Can the one be inside the other? A store is inside a store only; a guest is never inside a container."""
    if subject.startswith(STORES):
        return holder.startswith(STORES)
    if subject.startswith(GUEST):
        return holder.startswith((*STORES, GUEST))
    return subject.startswith((CONTAINER, SERVICE, HOST))
