"""The `rules` tables: when a finding has which priority. General ones, and a probe's own on top of them.

Not here: the rules themselves (core/rules.py); these models only build them.
"""

from itertools import pairwise
from typing import Self

from pydantic import Field, model_validator

from watchkeeper.config.fields import Delay, Limit, PriorityOrNever, Share, Strict
from watchkeeper.core import rules
from watchkeeper.core.alerts import Delays, Priority
from watchkeeper.core.rules import DAY_S, HOUR_S


def _in_order(*limits: tuple[str, float | None], rising: bool, why: str) -> None:
    """Raise ValueError unless the limits that are set rise (or fall) in the order given; equal ones are allowed."""
    known = [(key, limit) for key, limit in limits if limit is not None]
    for (key, limit), (urgent_key, urgent) in pairwise(known):
        if (urgent < limit) if rising else (urgent > limit):
            more = "shorter" if rising else "longer"
            raise ValueError(f"{urgent_key} is {more} than {key}; {why}")


class Delayed(Strict):
    """A rule with delays: a change counts once it has lasted so long (ISA-18.2).

    on_delay: before an alert begins or worsens. off_delay: before it eases or ends.
    """

    on_delay: Delay = 0.0
    off_delay: Delay = 0.0

    @property
    def delays(self) -> Delays:
        """Both delays, in seconds."""
        return Delays(self.on_delay, self.off_delay)


class FullSettings(Delayed):
    """A level is forecast to be full within these times.

    caution, warning, alarm: the time left at which each priority begins. deadband: a priority that stands is kept until
    the time left is longer than its limit by this share.
    """

    caution: Limit = 30 * DAY_S
    warning: Limit = 7 * DAY_S
    alarm: Limit = 1 * DAY_S
    deadband: float = Field(default=0.25, ge=0, le=10, allow_inf_nan=False)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        why = "the more urgent, the less time is left: caution >= warning >= alarm"
        limits = (("caution", self.caution), ("warning", self.warning), ("alarm", self.alarm))
        _in_order(*limits, rising=False, why=why)
        return self

    def rule(self) -> rules.FullRule:
        """The rule that this describes."""
        return rules.FullRule(self.caution, self.warning, self.alarm, self.deadband, self.delays)


class OverdueSettings(Delayed):
    """A deadline that recurs is told when it is missed; a single end, such as a certificate's, is told ahead.

    late_caution, late_warning, late_alarm: how late, as a share of the period from one time to the next.
    ahead_caution, ahead_warning, ahead_alarm: how long before a single end.
    """

    late_caution: Share = None
    late_warning: Share = 0.0
    late_alarm: Share = 1.0
    ahead_caution: Limit = 21 * DAY_S
    ahead_warning: Limit = 7 * DAY_S
    ahead_alarm: Limit = 1 * DAY_S

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        late = [(f"late_{word}", getattr(self, f"late_{word}")) for word in ("caution", "warning", "alarm")]
        ahead = [(f"ahead_{word}", getattr(self, f"ahead_{word}")) for word in ("caution", "warning", "alarm")]
        _in_order(*late, rising=True, why="the more urgent, the later: late_caution <= late_warning <= late_alarm")
        why = "the more urgent, the less time is left: ahead_caution >= ahead_warning >= ahead_alarm"
        _in_order(*ahead, rising=False, why=why)
        return self

    def rule(self) -> rules.OverdueRule:
        """The rule that this describes."""
        return rules.OverdueRule(
            self.late_caution,
            self.late_warning,
            self.late_alarm,
            self.ahead_caution,
            self.ahead_warning,
            self.ahead_alarm,
            self.delays,
        )


class SilentSettings(Delayed):
    """No answer for this long, since the first that failed.

    caution, warning, alarm: the silence after which each priority begins.
    """

    caution: Limit = None
    warning: Limit = 60.0
    alarm: Limit = HOUR_S

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        why = "the more urgent, the longer the silence: caution <= warning <= alarm"
        limits = (("caution", self.caution), ("warning", self.warning), ("alarm", self.alarm))
        _in_order(*limits, rising=True, why=why)
        return self

    def rule(self) -> rules.SilentRule:
        """The rule that this describes."""
        return rules.SilentRule(self.caution, self.warning, self.alarm, self.delays)


class UnsoundSettings(Delayed):
    """A condition is not sound.

    priority: of a thing that is impaired. grave_priority: where the thing itself says that it has stopped working.
    """

    priority: PriorityOrNever = Priority.WARNING
    grave_priority: PriorityOrNever = Priority.ALARM

    def rule(self) -> rules.UnsoundRule:
        """The rule that this describes."""
        return rules.UnsoundRule(self.priority, self.grave_priority, self.delays)


class StaleSettings(Delayed):
    """A probe has brought no sample for so many of its own intervals, at the priority given."""

    intervals: float = Field(default=3.0, ge=1, le=1000, allow_inf_nan=False)
    priority: PriorityOrNever = Priority.WARNING

    def rule(self) -> rules.StaleRule:
        """The rule that this describes."""
        return rules.StaleRule(self.intervals, self.priority, self.delays)


class RulesSettings(Strict):
    """The rule for each of the five concerns; what is not set has its default."""

    full: FullSettings = FullSettings()
    overdue: OverdueSettings = OverdueSettings()
    silent: SilentSettings = SilentSettings()
    unsound: UnsoundSettings = UnsoundSettings()
    stale: StaleSettings = StaleSettings()

    def rules(self) -> rules.Rules:
        """The rules that this describes."""
        return rules.Rules(
            self.full.rule(), self.overdue.rule(), self.silent.rule(), self.unsound.rule(), self.stale.rule()
        )

    def over(self, general: "RulesSettings") -> "RulesSettings":
        """These on top of general ones: what is set here counts. Raises ValidationError where both do not agree."""
        own, base = self.model_dump(exclude_unset=True), general.model_dump(exclude_unset=True)
        tables = base.keys() | own.keys()
        return RulesSettings.model_validate({t: {**base.get(t, {}), **own.get(t, {})} for t in tables})
