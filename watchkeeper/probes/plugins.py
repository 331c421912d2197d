"""Probes from other packages: found through the entry point group `watchkeeper.probes`, and checked for validity.

An entry point's name is the kind, and its object is a ProbeKind (base.py). If a package cannot be used, only its own
kind is missing. Its code runs with the daemon's own rights: install only what you trust.
"""

import logging
import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, fields
from importlib.metadata import EntryPoint, entry_points
from typing import Any, get_args

from watchkeeper.config.types import ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation
from watchkeeper.probes.base import Probe, ProbeContext, ProbeKind
from watchkeeper.probes.support.sanitize import clip

log = logging.getLogger(__name__)

GROUP = "watchkeeper.probes"

OWN_SUBJECT = "probe "
"""Subjects with this prefix are watchkeeper's own: whether its probes run."""


class NotUsable(Exception):
    """An entry point does not give a usable kind of probe; the text says why."""


@dataclass(frozen=True, slots=True)
class FoundPlugin:
    """The kinds from other packages. troubles: the entry points that cannot be used, and why; safe to display."""

    kinds: dict[str, ProbeKind[Any]]
    troubles: tuple[str, ...]


def find(taken: Collection[str], points: Iterable[EntryPoint] | None = None) -> FoundPlugin:
    """The kinds of probe that installed packages provide. taken: kinds that exist already and are not replaced."""
    kinds: dict[str, ProbeKind[Any]] = {}
    troubles = []
    for point in entry_points(group=GROUP) if points is None else points:
        try:
            if point.name in taken or point.name in kinds:
                raise NotUsable("there is a kind of probe of this name already")
            kinds[point.name] = _load(point)
        except NotUsable as error:
            package = point.dist.name if point.dist else "an unknown package"
            troubles.append(f"probe {clip(point.name)!r} of {clip(package)} cannot be used: {error}")
            log.warning("%s", troubles[-1], extra=about(Event.PROBE_KIND, probe=point.name))
    return FoundPlugin(kinds, tuple(troubles))


def _load(point: EntryPoint) -> ProbeKind[Any]:
    """Import the object of an entry point. A third-party module may raise anything; it is caught here."""
    try:
        loaded = point.load()
    except Exception as error:
        raise NotUsable(clip(f"{point.value} fails with {type(error).__name__}: {error}")) from error
    if not isinstance(loaded, ProbeKind):
        raise NotUsable(f"{point.value} is no watchkeeper.probes.base.ProbeKind")
    model: object = loaded.settings  # A type checker trusts what a third-party package declares.
    if not (isinstance(model, type) and issubclass(model, ProbeSettings)):
        raise NotUsable("its settings are no model that inherits watchkeeper.config.types.ProbeSettings")
    if get_args(model.model_fields["kind"].annotation) != (point.name,):
        raise NotUsable(f'its settings must have the field: kind: Literal["{point.name}"] = "{point.name}"')
    return ProbeKind(model, _Maker(loaded))


@dataclass(frozen=True, slots=True)
class _Maker:
    """Creates probes of a kind whose observations are checked."""

    kind: ProbeKind[Any]

    def __call__(self, settings: ProbeSettings, bench: ProbeContext) -> Probe:
        return Checked(self.kind.make(settings, bench))


class Checked:
    """A probe whose observations are checked before they enter the pipeline."""

    def __init__(self, probe: Probe) -> None:
        self._probe = probe

    async def observe(self) -> Sequence[Observation]:
        """Return what the probe observed. Raises ProbeError if any of it is not a valid observation."""
        observed = list(await self._probe.observe())
        for each in observed:
            if why := why_not(each):
                raise ProbeError(f"it observed {clip(repr(each))}, which cannot be used: {why}")
        if len({each.key for each in observed}) < len(observed):
            raise ProbeError("it observed the same quantity of a subject more than once")
        return observed

    async def close(self) -> None:
        """Close the probe."""
        await self._probe.close()


def why_not(seen: object) -> str:
    """Why something is not a valid observation; empty if it is one."""
    if not isinstance(seen, Level | Deadline | Answer | Condition):
        return "it is no Level, Deadline, Answer or Condition"
    if seen.key.subject.startswith(OWN_SUBJECT) or not seen.key.subject or not seen.key.quantity:
        return f"a subject is not empty and does not begin with {OWN_SUBJECT!r}"
    for field in fields(seen):
        value = getattr(seen, field.name)
        if isinstance(value, float) and not math.isfinite(value):
            return f"{field.name} is not a finite number"
    if isinstance(seen, Level) and not (seen.used >= 0 and seen.capacity > 0):
        return "a level has used of 0 or more, and a capacity of more than 0"
    if isinstance(seen, Deadline) and any(at is not None and at.tzinfo is None for at in (seen.due_at, seen.last_at)):
        return "its times have no time zone"
    return ""
