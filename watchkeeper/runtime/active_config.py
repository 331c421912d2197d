"""State that lives as long as a configuration: its probes and notifiers. Unchanged ones are kept at a reload.

A new configuration is built completely before anything is changed (`build`), and only then activated (reload.py). Not
here: what lives as long as the process.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel

from watchkeeper.clock import Clock
from watchkeeper.config.types import SecretSource
from watchkeeper.errors import ConfigError, Problem
from watchkeeper.notifiers.base import Notifier
from watchkeeper.notifiers.registry import make_notifier
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.registry import NAME_DISKS, make_probe
from watchkeeper.probes.services.job import JobSettings
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.settings import Settings

S = TypeVar("S", bound=BaseModel)
T = TypeVar("T")

_JUDGED_BY = {"rules", "depends_on"}
"""Settings of a probe that it does not use itself: changing them does not make it a new probe."""


@dataclass(frozen=True, slots=True)
class ActiveConfig:
    """The active configuration. bench: the context that its probes were created with."""

    settings: Settings
    bench: ProbeContext
    probes: tuple[ScheduledProbe, ...]
    notifiers: tuple[Notifier, ...]

    @property
    def depends_on(self) -> Mapping[str, Sequence[str]]:
        """What each probe's subjects depend on, by its label."""
        return {each.label: each.dependencies for each in self.settings.probes}

    @property
    def tokens(self) -> dict[str, SecretSource]:
        """The secrets of those jobs that may report over HTTP."""
        jobs = [each for each in self.settings.probes if isinstance(each, JobSettings)]
        return {each.name: each.token for each in jobs if each.token is not None}


def make_probes(
    settings: Settings, bench: ProbeContext, before: Mapping[str, ScheduledProbe] | None = None
) -> tuple[ScheduledProbe, ...]:
    """Every configured probe, created and ready to run. before: by label, those that continue unchanged."""
    known, bench = before or {}, replace(bench, disk_names=settings.names.disks)
    return tuple(
        ScheduledProbe(
            each.label,
            each.every,
            known[each.label].probe if each.label in known else make_probe(each, bench),
            settings.rules_for(each),
        )
        for each in settings.probes
    )


def build(settings: Settings, bench: ProbeContext, clock: Clock, before: ActiveConfig | None = None) -> ActiveConfig:
    """Create what is new in a configuration; nothing is started. Raises whatever a probe kind of a package raises.

    If the context differs (the database's limit changed), watchkeeper's own probe is created again, and those that name
    disks if the operator's names differ. The one that compares the host with the configuration is created again with
    every other configuration, so that it runs at once.
    """
    if before is None:
        return ActiveConfig(
            settings, bench, make_probes(settings, bench), tuple(make_notifier(s, clock) for s in settings.notifiers)
        )
    again = set() if bench is before.bench else {"self-check"}
    again |= set() if settings.names == before.settings.names else NAME_DISKS
    again |= set() if settings.probes == before.settings.probes else {"coverage"}
    going_on = {
        each.label: old
        for each, old in _pairs(settings.probes, before.settings.probes, before.probes)
        if each.kind not in again
    }
    telling = {each.label: old for each, old in _pairs(settings.notifiers, before.settings.notifiers, before.notifiers)}
    notifiers = tuple(telling.get(each.label) or make_notifier(each, clock) for each in settings.notifiers)
    return ActiveConfig(settings, bench, make_probes(settings, bench, going_on), notifiers)


def _pairs(now: Sequence[S], before: Sequence[S], made: Sequence[T]) -> list[tuple[S, T]]:
    """Pair the settings that existed before with the objects created from them."""
    known = [(type(each), _own(each)) for each in before]
    return [(each, made[known.index(own)]) for each in now if (own := (type(each), _own(each))) in known]


def _own(settings: BaseModel) -> dict[str, object]:
    return {name: value for name, value in settings if name not in _JUDGED_BY}


def check_in_place(now: Settings, before: Settings, source: Path | None) -> None:
    """Raise ConfigError for changes that a reload cannot make while the daemon runs."""
    remedy = "it cannot change while the daemon runs; restart it, or restore the old value"
    found = [
        Problem(place, f"{old} became {new}: {remedy}")
        for place, old, new in (
            ("store.path", before.store.path, now.store.path),
            ("host.name", before.host.label, now.host.label),
            ("host.time_zone", before.host.zone, now.host.zone),
        )
        if str(old) != str(new)
    ]
    found += [
        Problem(f"page.{name}", f"changed: {remedy}")
        for name in type(now.page).model_fields
        if getattr(now.page, name) != getattr(before.page, name)
    ]
    if now.archive != before.archive:
        found.append(Problem("archive", f"changed: {remedy}"))
    if found:
        raise ConfigError(str(source or "the configuration"), found)
