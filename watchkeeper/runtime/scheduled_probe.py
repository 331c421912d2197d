"""A scheduled probe: its settings, one run of it, and what is remembered of its runs."""

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

from watchkeeper.alerting.rules import Rules
from watchkeeper.errors import ProbeError
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.observation import OWN_SUBJECT, Condition, Observation, Observed, SeriesKey, Unseen, unseen_facts
from watchkeeper.model.records import Seen
from watchkeeper.probes.base import BaseProbe, Probe

log = logging.getLogger(__name__)

OWN_REFRESH = timedelta(hours=1)
"""How often a probe's own unchanged condition is stored again: it is nothing new, so it costs one row an hour."""


@dataclass(frozen=True)
class ScheduledProbe:
    """A scheduled probe: its label, seconds from run to run, and the rules for its series."""

    label: str
    interval_s: float
    probe: Probe
    rules: Rules

    @cached_property
    def own_key(self) -> SeriesKey:
        """The series that reports whether the probe itself runs."""
        return SeriesKey(f"{OWN_SUBJECT}{self.label}", "runs")


@dataclass(slots=True)
class ProbeRuns:
    """What is remembered of one probe's runs."""

    went_well_at: datetime
    stored: Condition | None = None
    stored_at: datetime | None = None

    def bridge(self, gap: timedelta, now: datetime) -> None:
        """Exclude a gap from elapsed times."""
        self.went_well_at = min(self.went_well_at + gap, now)
        self.stored_at = None if self.stored_at is None else min(self.stored_at + gap, now)

    def news(self, own: Condition, now: datetime) -> bool:
        """Return whether the probe's own condition should be stored."""
        return own != self.stored or self.stored_at is None or now - self.stored_at >= OWN_REFRESH


@dataclass(frozen=True, slots=True)
class ProbeWork:
    """What a probe has done since the start: runs, failed ones, how long the last one took, and when it ended."""

    runs: int = 0
    failures: int = 0
    took_s: float | None = None
    ended_at: datetime | None = None

    def with_run(self, took_s: float, ended_at: datetime, *, failed: bool) -> "ProbeWork":
        """With one more run."""
        return ProbeWork(self.runs + 1, self.failures + failed, took_s, ended_at)


class Absent(BaseProbe):
    """The probe of a series that no probe of this configuration delivers."""

    async def observe(self) -> Sequence[Observation]:
        """Observe nothing."""
        return ()


async def look(probe: ScheduledProbe) -> tuple[Sequence[Observation], Condition]:
    """Run a probe once: its observations, and its own condition. The one broad `except` around a probe is here."""
    try:
        return _split(await probe.probe.observe(), probe.own_key)
    except ProbeError as error:
        reason = str(error)
    except Exception as error:
        log.exception("probe %s failed", probe.label, extra=about(Event.PROBE_ERROR, probe=probe.label))
        reason = f"it failed with {type(error).__name__}: {error}"
    return (), Condition(probe.own_key, ok=False, reason=reason)


def _split(observed: Sequence[Observed], own: SeriesKey) -> tuple[Sequence[Observation], Condition]:
    """The observations, and the condition of a probe that ran: its facts list what it could not look at."""
    unseen = [each for each in observed if isinstance(each, Unseen)]
    seen = [each for each in observed if not isinstance(each, Unseen)]
    return seen, Condition(own, ok=True, facts=unseen_facts(unseen))


def nobody(seen: Seen) -> ScheduledProbe:
    """A placeholder for a probe that is no longer in the configuration; it is never run."""
    return ScheduledProbe(seen.probe, seen.interval_s, Absent(), Rules())
