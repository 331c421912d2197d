"""What rests on what: a service on its guest, a guest on its pool, everything on the host's network. Pure.

The keeper says it in a probe's settings, by subjects or by names of probes; a service, or a host, that has the name of
a guest rests on that guest without a word. Not here: whether anything is wrong (correlation.py).
"""

from collections.abc import Iterable, Mapping, Sequence

_IN_GUESTS = ("service ", "host ")
"""Subjects whose last words may name the guest that they live in."""


class Dependencies:
    """The ties between subjects, as far as the subjects are known by now."""

    def __init__(
        self, rests_on: Mapping[str, Sequence[str]] | None = None, before: "Dependencies | None" = None
    ) -> None:
        """rests_on: for a probe's name, the subjects or names of probes on which all that it observes depends.

        before: those of another configuration, which know by which probe a subject is observed.
        """
        self._rests_on = dict(rests_on or {})
        self.probe_of: dict[str, str] = {} if before is None else before.probe_of
        self._beneath: dict[str, tuple[str, ...]] = {}

    def place(self, subject: str, probe: str) -> None:
        """A subject is observed by this probe."""
        if self.probe_of.get(subject) != probe:
            self.probe_of[subject] = probe
            self._beneath.clear()

    def names(self, subject: str) -> tuple[str, ...]:
        """The names under which others may say that they rest on a subject: its own, and its probe's."""
        return (subject, self.probe_of.get(subject, subject))

    def dependencies_of(self, subject: str) -> tuple[str, ...]:
        """Names of all that a subject rests on, the farthest first: what is farthest down is the likeliest cause."""
        if subject not in self._beneath:
            self._beneath[subject] = self._walk(subject)
        return self._beneath[subject]

    def dependents_of(self, subject: str) -> tuple[str, ...]:
        """The subjects, known by now, that rest on one; in their own order."""
        names = set(self.names(subject))
        return tuple(each for each in self.probe_of if each != subject and names & set(self.dependencies_of(each)))

    def _walk(self, subject: str) -> tuple[str, ...]:
        """Each name once, behind all that it rests on itself; a circle has an end."""
        found, known = list[str](), {subject}

        def visit(name: str) -> None:
            for each in self._next(name):
                if each not in known:
                    known.add(each)
                    visit(each)
                    found.append(each)

        visit(subject)
        return tuple(found)

    def _next(self, name: str) -> Iterable[str]:
        """What a subject, or everything that a probe observes, rests on directly."""
        yield from self._rests_on.get(self.probe_of.get(name, name), ())
        for kind in _IN_GUESTS:
            guest = f"guest {name.removeprefix(kind)}"
            if name.startswith(kind) and guest in self.probe_of:
                yield guest
