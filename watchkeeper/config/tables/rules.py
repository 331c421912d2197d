"""The `rules` tables: which priority a finding gets. General rules, and a probe's own on top of them.

Not here: the rules themselves (alerting/rules.py); these models only build them.
"""

from collections.abc import Iterator
from itertools import pairwise

from pydantic import Field

from watchkeeper.alerting import rules
from watchkeeper.config.fields import Delay, Duration, Limit, PriorityOrNever, Share, Strict, UsedShare
from watchkeeper.model.alert import Delays
from watchkeeper.model.chattering import Chattering

_BY_DEFAULT = rules.Rules()
"""The defaults are in alerting/rules.py and nowhere else."""


def _in_order(*limits: tuple[str, float | None], rising: bool, why: str) -> Iterator[str]:
    """An error for each pair of set limits that does not rise (or fall) in the given order; equal ones are allowed."""
    known = [(key, limit) for key, limit in limits if limit is not None]
    for (key, limit), (urgent_key, urgent) in pairwise(known):
        if (urgent < limit) if rising else (urgent > limit):
            yield f"{urgent_key} is {'less' if rising else 'more'} than {key}; {why}"


class Ordered(Strict):
    """A table of the rules."""

    def disorder(self) -> Iterator[str]:
        """What is wrong with the limits in combination. Not a validator: a probe's own rules may be incomplete."""
        yield from ()


class Delayed(Ordered):
    """A rule with delays: a change counts when it has lasted this long (ISA-18.2).

    on_delay: how long a problem must last before its alert begins or gets a higher priority.
    off_delay: how long an improvement must last before the alert ends or gets a lower priority.
    escalate: how long a warning may stay unacknowledged before it becomes an alarm.
    """

    on_delay: Delay = 0.0
    off_delay: Delay = 0.0
    escalate: Limit = None

    @property
    def delays(self) -> Delays:
        """The delays, in seconds."""
        return Delays(self.on_delay, self.off_delay, self.escalate)


class FullSettings(Delayed):
    """A level, such as a pool or a file system, is forecast to be full.

    caution, warning, alarm: the forecast time to full at which this priority begins.
    deadband: an active priority is kept until the time to full exceeds its limit by this share.
    min_history: an alert needs growth that has lasted for this share of the time to full; for 0.57 of that, once it
        has lasted for most of a day.
    """

    caution: Limit = _BY_DEFAULT.full.caution_s
    warning: Limit = _BY_DEFAULT.full.warning_s
    alarm: Limit = _BY_DEFAULT.full.alarm_s
    deadband: float = Field(default=_BY_DEFAULT.full.deadband, ge=0, le=10, allow_inf_nan=False)
    min_history: float = Field(default=_BY_DEFAULT.full.min_history, ge=0, le=10, allow_inf_nan=False)
    on_delay: Delay = _BY_DEFAULT.full.delays.on_delay_s
    off_delay: Delay = _BY_DEFAULT.full.delays.off_delay_s

    def disorder(self) -> Iterator[str]:
        """What is wrong with the limits in combination."""
        why = "the more urgent, the less time is left: caution >= warning >= alarm"
        limits = (("caution", self.caution), ("warning", self.warning), ("alarm", self.alarm))
        yield from _in_order(*limits, rising=False, why=why)

    def rule(self) -> rules.FullRule:
        """The rule that this describes."""
        return rules.FullRule(
            caution_s=self.caution,
            warning_s=self.warning,
            alarm_s=self.alarm,
            deadband=self.deadband,
            min_history=self.min_history,
            delays=self.delays,
        )


class UsedShareSettings(Ordered):
    """Levels that are reported from a share of their capacity on, beside the forecast.

    subjects: which; globs such as "file system /var*". By default none.
    caution, warning, alarm: the share that is used at which this priority begins, such as 0.9 or "90 %".
    deadband: an active priority is kept until the share is this much below its limit.
    """

    subjects: tuple[str, ...] = ()
    caution: UsedShare = _BY_DEFAULT.used_share.caution
    warning: UsedShare = _BY_DEFAULT.used_share.warning
    alarm: UsedShare = _BY_DEFAULT.used_share.alarm
    deadband: float = Field(default=_BY_DEFAULT.used_share.deadband, ge=0, le=0.5, allow_inf_nan=False)

    def disorder(self) -> Iterator[str]:
        """What is wrong with the limits in combination."""
        why = "the more urgent, the more is used: caution <= warning <= alarm"
        limits = (("caution", self.caution), ("warning", self.warning), ("alarm", self.alarm))
        yield from _in_order(*limits, rising=True, why=why)

    def rule(self) -> rules.UsedShareRule:
        """The rule that this describes."""
        return rules.UsedShareRule(self.subjects, self.caution, self.warning, self.alarm, self.deadband)


class OverdueSettings(Delayed):
    """A recurring deadline is reported when it is missed; a single end, such as a certificate's, in advance.

    late_caution, late_warning, late_alarm: how late a recurring deadline is, as a share of its period.
    ahead_caution, ahead_warning, ahead_alarm: how long before a single end.
    """

    late_caution: Share = _BY_DEFAULT.overdue.late_caution
    late_warning: Share = _BY_DEFAULT.overdue.late_warning
    late_alarm: Share = _BY_DEFAULT.overdue.late_alarm
    ahead_caution: Limit = _BY_DEFAULT.overdue.ahead_caution_s
    ahead_warning: Limit = _BY_DEFAULT.overdue.ahead_warning_s
    ahead_alarm: Limit = _BY_DEFAULT.overdue.ahead_alarm_s
    on_delay: Delay = _BY_DEFAULT.overdue.delays.on_delay_s
    off_delay: Delay = _BY_DEFAULT.overdue.delays.off_delay_s

    def disorder(self) -> Iterator[str]:
        """What is wrong with the limits in combination."""
        late = [(f"late_{word}", getattr(self, f"late_{word}")) for word in ("caution", "warning", "alarm")]
        ahead = [(f"ahead_{word}", getattr(self, f"ahead_{word}")) for word in ("caution", "warning", "alarm")]
        yield from _in_order(
            *late, rising=True, why="the more urgent, the later: late_caution <= late_warning <= late_alarm"
        )
        why = "the more urgent, the less time is left: ahead_caution >= ahead_warning >= ahead_alarm"
        yield from _in_order(*ahead, rising=False, why=why)

    def rule(self) -> rules.OverdueRule:
        """The rule that this describes."""
        return rules.OverdueRule(
            late_caution=self.late_caution,
            late_warning=self.late_warning,
            late_alarm=self.late_alarm,
            ahead_caution_s=self.ahead_caution,
            ahead_warning_s=self.ahead_warning,
            ahead_alarm_s=self.ahead_alarm,
            delays=self.delays,
        )


class NotAnsweringSettings(Delayed):
    """A service does not answer.

    caution, warning, alarm: time without an answer after which this priority begins, from the first failed request.
    """

    caution: Limit = _BY_DEFAULT.not_answering.caution_s
    warning: Limit = _BY_DEFAULT.not_answering.warning_s
    alarm: Limit = _BY_DEFAULT.not_answering.alarm_s
    on_delay: Delay = _BY_DEFAULT.not_answering.delays.on_delay_s
    off_delay: Delay = _BY_DEFAULT.not_answering.delays.off_delay_s

    def disorder(self) -> Iterator[str]:
        """What is wrong with the limits in combination."""
        why = "the more urgent, the longer without an answer: caution <= warning <= alarm"
        limits = (("caution", self.caution), ("warning", self.warning), ("alarm", self.alarm))
        yield from _in_order(*limits, rising=True, why=why)

    def rule(self) -> rules.NotAnsweringRule:
        """The rule that this describes."""
        return rules.NotAnsweringRule(
            caution_s=self.caution, warning_s=self.warning, alarm_s=self.alarm, delays=self.delays
        )


class FaultySettings(Delayed):
    """A condition is faulty.

    priority: priority while the thing still works, such as a degraded array.
    failed_priority: priority when the thing reports that it has stopped working.
    """

    priority: PriorityOrNever = _BY_DEFAULT.faulty.priority
    failed_priority: PriorityOrNever = _BY_DEFAULT.faulty.failed_priority
    on_delay: Delay = _BY_DEFAULT.faulty.delays.on_delay_s
    off_delay: Delay = _BY_DEFAULT.faulty.delays.off_delay_s

    def rule(self) -> rules.FaultyRule:
        """The rule that this describes."""
        return rules.FaultyRule(priority=self.priority, failed_priority=self.failed_priority, delays=self.delays)


class NotReportingSettings(Delayed):
    """A probe reports nothing any more.

    intervals: number of the probe's own intervals that may pass without a sample.
    priority: priority of the alert.
    """

    intervals: float = Field(default=_BY_DEFAULT.not_reporting.intervals, ge=1, le=1000, allow_inf_nan=False)
    priority: PriorityOrNever = _BY_DEFAULT.not_reporting.priority
    on_delay: Delay = _BY_DEFAULT.not_reporting.delays.on_delay_s
    off_delay: Delay = _BY_DEFAULT.not_reporting.delays.off_delay_s

    def rule(self) -> rules.NotReportingRule:
        """The rule that this describes."""
        return rules.NotReportingRule(intervals=self.intervals, priority=self.priority, delays=self.delays)


class ChatteringSettings(Ordered):
    """An alert that comes and goes is reported as chattering, once, and ends when it has stayed away.

    raises: an alert that is raised this many times within `within` is chattering.
    within: the time over which raises are counted.
    calm: how long the alert must stay away, or stay lower, before it ends.
    """

    raises: int = Field(default=_BY_DEFAULT.chattering.raises or 0, ge=2, le=1000)
    within: Duration = _BY_DEFAULT.chattering.within_s
    calm: Duration = _BY_DEFAULT.chattering.calm_s

    def rule(self) -> Chattering:
        """The rule that this describes."""
        return Chattering(self.raises, self.within, self.calm)


class RulesSettings(Strict):
    """The rule for each of the five concerns, and for the used share. What is not set has its default."""

    full: FullSettings = FullSettings()
    used_share: UsedShareSettings = UsedShareSettings()
    overdue: OverdueSettings = OverdueSettings()
    not_answering: NotAnsweringSettings = NotAnsweringSettings()
    faulty: FaultySettings = FaultySettings()
    not_reporting: NotReportingSettings = NotReportingSettings()
    chattering: ChatteringSettings = ChatteringSettings()

    def rules(self) -> rules.Rules:
        """The rules that this describes."""
        return rules.Rules(
            full=self.full.rule(),
            used_share=self.used_share.rule(),
            overdue=self.overdue.rule(),
            not_answering=self.not_answering.rule(),
            faulty=self.faulty.rule(),
            not_reporting=self.not_reporting.rule(),
            chattering=self.chattering.rule(),
        )

    def over(self, general: "RulesSettings") -> "RulesSettings":
        """These rules on top of general ones: a value that is set here takes precedence."""
        own, base = self.model_dump(exclude_unset=True), general.model_dump(exclude_unset=True)
        tables = base.keys() | own.keys()
        return RulesSettings.model_validate({t: {**base.get(t, {}), **own.get(t, {})} for t in tables})

    def disorder(self) -> Iterator[tuple[str, str]]:
        """What is wrong with the limits in combination, each with its table."""
        for table in type(self).model_fields:
            one: Ordered = getattr(self, table)
            yield from ((table, what) for what in one.disorder())
