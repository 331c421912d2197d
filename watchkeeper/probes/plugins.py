"""Holds the probes of other packages to the contract of a probe, whatever their code does.

An entry point of the group `watchkeeper.probes` leads to a ProbeKind (base.py). Not here: how entry points are found
and loaded (config/plugin_kinds.py).
"""

import logging
import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

from watchkeeper.config.plugin_kinds import PluginGroup
from watchkeeper.config.types import ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.observation import (
    OWN_SUBJECT,
    Answer,
    Condition,
    Deadline,
    Level,
    Observation,
    Observed,
    Unseen,
)
from watchkeeper.probes.base import BaseProbe, Probe, ProbeContext, ProbeKind
from watchkeeper.probes.support.sanitize import clip

log = logging.getLogger(__name__)


def checked(kind: ProbeKind[Any]) -> ProbeKind[Any]:
    """The kind, with probes that are held to the contract."""
    return ProbeKind(kind.settings, _Maker(kind))


GROUP: PluginGroup[ProbeKind[Any]] = PluginGroup(
    "watchkeeper.probes", "probe", ProbeKind, ProbeSettings, checked, Event.PROBE_KIND
)


@dataclass(frozen=True, slots=True)
class _Maker:
    """Makes probes of a kind that are held to the contract. One that cannot be made reports why at each run."""

    kind: ProbeKind[Any]

    def __call__(self, settings: ProbeSettings, bench: ProbeContext) -> Probe:
        try:
            return Checked(self.kind.make(settings, bench))
        except Exception as error:
            log.exception("%s: the probe cannot be created", settings.label, extra=about(Event.PROBE_ERROR))
            return Unmade(clip(f"it cannot be created: {type(error).__name__}: {error}"))


class Unmade(BaseProbe):
    """Stands for a probe that its package could not make."""

    def __init__(self, why: str) -> None:
        self._why = why

    async def observe(self) -> Sequence[Observation]:
        """Raises ProbeError that says why there is no probe."""
        raise ProbeError(self._why)


class Checked:
    """A probe whose observations are checked before they are taken down the path."""

    def __init__(self, probe: Probe) -> None:
        self._probe = probe

    async def observe(self) -> Sequence[Observed]:
        """What the probe observed. Raises ProbeError where some of it is no observation."""
        observed = list(await self._probe.observe())
        for each in observed:
            if not isinstance(each, Unseen) and (why := why_not(each)):
                raise ProbeError(f"it returned an observation that cannot be used: {why}: {clip(repr(each))}")
        keys = [each.key for each in observed if not isinstance(each, Unseen)]
        if len(set(keys)) < len(keys):
            raise ProbeError("it returned the same quantity of a subject more than once")
        return observed

    async def close(self) -> None:
        """Close the probe."""
        await self._probe.close()


def why_not(seen: object) -> str:
    """Why something cannot be taken for an observation; empty where it can."""
    if not isinstance(seen, Level | Deadline | Answer | Condition):
        return "it is not a Level, Deadline, Answer or Condition"
    if seen.key.subject.startswith(OWN_SUBJECT) or not seen.key.subject or not seen.key.quantity:
        return f'subject and quantity must not be empty, and a subject must not begin with "{OWN_SUBJECT}"'
    for field in fields(seen):
        value = getattr(seen, field.name)
        if isinstance(value, float) and not math.isfinite(value):
            return f"{field.name} is not a finite number"
    if isinstance(seen, Level) and not (seen.used >= 0 and seen.capacity > 0):
        return "a level needs used >= 0 and capacity > 0"
    if isinstance(seen, Deadline) and any(at is not None and at.tzinfo is None for at in (seen.due_at, seen.last_at)):
        return "its times have no time zone"
    return ""
