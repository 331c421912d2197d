"""Dependencies: a service on its guest, a guest on its pool, everything on the host's network. Pure.

The operator sets them in a probe's settings, by subjects or by names of probes; a service, or a host, that has the name
of a guest depends on that guest by default. What a probe reports as part of a file system adds others: a guest depends
on the file system of its image, containers on that of their engine's data. Not here: whether anything is wrong
(correlation.py).
"""

from collections.abc import Iterable, Mapping, Sequence

from watchkeeper.model.observation import Level, Observation

_IN_GUESTS = ("service ", "host ")
"""Prefixes of subjects whose remaining words may name the guest that they run in."""

_GUEST, _IMAGE = "guest ", ": image "
"""A part with the subject `guest NAME: image FILE` is an image of that guest, so the guest lies where the part does."""

_CONTAINER, _ENGINE_DATA = "container ", "containers in "
"""A part with the subject `containers in FOLDER` is the data of an engine, so the containers of its probe lie there."""


class Dependencies:
    """The dependencies between the subjects known so far."""

    def __init__(
        self, depends_on: Mapping[str, Sequence[str]] | None = None, before: "Dependencies | None" = None
    ) -> None:
        """depends_on: for a probe's name, the subjects or names of probes on which all that it observes depends.

        before: those of the previous configuration, which know which probes observe a subject.
        """
        self._depends_on = dict(depends_on or {})
        self.observers: dict[str, tuple[str, ...]] = {} if before is None else self._still(before.observers)
        self.lies_on: dict[str, dict[str, None]] = {} if before is None else before.lies_on
        self._beneath: dict[str, tuple[str, ...]] = {}
        self._above: dict[str, list[tuple[int, str]]] | None = None

    def _still(self, before: Mapping[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
        """The probes of each subject that are still configured; those of before if none is."""
        found = ((name, tuple(each for each in probes if each in self._depends_on)) for name, probes in before.items())
        return {name: probes or before[name] for name, probes in found}

    def place(self, subject: str, probe: str) -> None:
        """Record that a subject is observed by this probe. Several may observe one: what runs, and what is inside."""
        if probe not in (known := self.probes_of(subject)):
            self.observers[subject] = (*known, probe)
            self._forget()

    def probes_of(self, subject: str) -> tuple[str, ...]:
        """The labels of the probes that observe a subject, in the order in which they reported it first."""
        return self.observers.get(subject, ())

    def subjects_of(self, probe: str) -> list[str]:
        """The known subjects that a probe observes."""
        return [subject for subject, probes in self.observers.items() if probe in probes]

    def observe(self, seen: Observation, probe: str) -> None:
        """Record that a probe observed this, and what lies on what according to it."""
        self.place(seen.key.subject, probe)
        if isinstance(seen, Level) and seen.part_of is not None:
            self._tie(seen.key.subject, seen.part_of.subject, probe)

    def _tie(self, part: str, whole: str, probe: str) -> None:
        """Derive from a part of a store what depends on that store."""
        guest, is_image, _ = part.partition(_IMAGE)
        if is_image and guest.startswith(_GUEST):
            name = guest
        elif part.startswith(_ENGINE_DATA):
            name = f"{_CONTAINER}of {probe}"
        else:
            return
        stores = self.lies_on.setdefault(name, {})
        if whole not in stores:
            stores[whole] = None
            self._forget()

    def _forget(self) -> None:
        """Discard what was worked out from the dependencies known so far."""
        self._beneath.clear()
        self._above = None

    def names(self, subject: str) -> tuple[str, ...]:
        """The names that others may use to depend on a subject: its own, and those of its probes."""
        return (subject, *self.probes_of(subject))

    def dependencies_of(self, subject: str) -> tuple[str, ...]:
        """Names of everything that a subject depends on, the lowest first: the lowest is the most likely cause."""
        if subject not in self._beneath:
            self._beneath[subject] = self._walk(subject)
        return self._beneath[subject]

    def dependents_of(self, subject: str) -> tuple[str, ...]:
        """The known subjects that depend on one, in the order in which they became known."""
        if self._above is None:
            self._above = self._index()
        found = {each for name in self.names(subject) for each in self._above.get(name, ())}
        return tuple(name for _, name in sorted(found) if name != subject)

    def _index(self) -> dict[str, list[tuple[int, str]]]:
        """For each name, which subjects depend on it, with their positions among the known ones."""
        above: dict[str, list[tuple[int, str]]] = {}
        for at, subject in enumerate(self.observers):
            for name in self.dependencies_of(subject):
                above.setdefault(name, []).append((at, subject))
        return above

    def _walk(self, subject: str) -> tuple[str, ...]:
        """Each name once, after everything that it depends on itself; a cycle ends."""
        found, known = list[str](), set(self.names(subject))

        def visit(name: str) -> None:
            for each in self._next(name):
                if each not in known:
                    known.add(each)
                    visit(each)
                    found.append(each)

        visit(subject)
        return tuple(found)

    def _next(self, name: str) -> Iterable[str]:
        """The direct dependencies of a subject, or of everything that a probe observes."""
        for probe in self.probes_of(name) or (name,):
            yield from self._depends_on.get(probe, ())
        yield from self._stores(name)
        for kind in _IN_GUESTS:
            guest = f"guest {name.removeprefix(kind)}"
            if name.startswith(kind) and guest in self.observers:
                yield guest

    def _stores(self, name: str) -> Iterable[str]:
        """The stores that a guest's images, or a container's data, lie on. With engines on several it is not known."""
        if name.startswith(_GUEST):
            return self.lies_on.get(name, ())
        if name.startswith(_CONTAINER):
            parts = (self.lies_on.get(f"{_CONTAINER}of {probe}", {}) for probe in self.probes_of(name))
            stores = {store for each in parts for store in each}
            return stores if len(stores) == 1 else ()
        return ()
