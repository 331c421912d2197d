"""Which snapshots of a store could be deleted, in words. Nothing is ever deleted by watchkeeper."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Deletion:
    """A set of snapshots: what deleting it would free as text, and what it is."""

    size: str
    what: str


@dataclass(frozen=True, slots=True)
class Deletions:
    """The largest sets of a store. command: shows on the host which snapshots to delete for two more weeks."""

    sets: tuple[Deletion, ...]
    command: str
