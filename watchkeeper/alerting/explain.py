"""Why a rule decided as it did, in steps: the observation, the limits, the priority and its reason, the alert.

For the operator: `run --verbose` logs it, and `explain` shows it later. Pure, and nothing is decided here: the steps
are derived from a finding (rules.py) and an alert (state_machine.py). Not here: when it is logged or kept
(periodic/decision_log.py), and the sentences of messages (messages/wording.py), some of which it uses.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta, tzinfo
from typing import assert_never

from watchkeeper.alerting import rules, state_machine
from watchkeeper.alerting.rules import FullRule, NotAnsweringRule, OverdueRule, Rules, UsedShareRule
from watchkeeper.messages import wording
from watchkeeper.model.alert import Alert, Concern, Delays, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation
from watchkeeper.model.operator.maintenance import MAINTENANCE

Gist = tuple[object, ...]


def explain(found: Finding, seen: Observation | None, limits: Rules, alert: Alert, zone: tzinfo) -> str:
    """All steps in one line, as in a log."""
    steps = "; ".join(steps_of(found, seen, limits, alert, zone))
    return f"{wording.clean(str(found.key))}, {found.concern.words}: {steps}"


def steps_of(found: Finding, seen: Observation | None, limits: Rules, alert: Alert, zone: tzinfo) -> tuple[str, ...]:
    """What was observed, the limits, what they call for, and the state of the alert. zone: of the times in it.

    seen: the newest observation of the series; None for an alert that represents several others.
    """
    asks = f"calls for {wording.priority_words(found.priority)}"
    parts = [_facts(found, seen, zone)]
    if seen is not None:
        parts.append(_limits(found, seen, limits))
        asks += _because(found, limits, zone)
    parts += (asks, _alert(alert, limits, found.at, zone))
    return tuple(filter(None, parts))


def decision(found: Finding, alert: Alert) -> Gist:
    """What was decided: if this differs from the previous decision, the line is logged at once."""
    return (found.priority, alert.pending, alert.pending_since, alert.held_until, *state(alert))


def state(alert: Alert) -> Gist:
    """What the operator is notified of, or would be: if this differs, the decision is kept at once."""
    held = (alert.held_by, alert.shelved_until, alert.shelved_once)
    return (alert.state, alert.priority, alert.chattering, alert.escalated, *held)


def reason(found: Finding) -> Gist:
    """Why nothing, or nothing more urgent, was decided: it may change with each sample while the decision stays."""
    return (found.reason, None if found.forecast is None else found.forecast.no_end, found.ends_at is None)


def _facts(found: Finding, seen: Observation | None, zone: tzinfo) -> str:
    """What was observed, as far as the rule uses it."""
    if seen is None:
        return wording.clean(found.reason)
    if found.concern is Concern.NOT_REPORTING:
        return f"a reading is expected by {_at(found.ends_at, found.at, zone)}"
    match seen:
        case Level():
            return "; ".join(filter(None, (wording.fill(seen), _forecast(found, seen, zone))))
        case Deadline():
            last = f", last {_at(seen.last_at, found.at, zone)}" if seen.last_at else ""
            return (
                f"due {_at(found.ends_at, found.at, zone)}{last}"
                if seen.due_at
                else f"none found, monitored since {_at(found.ends_at, found.at, zone)}"
            )
        case Answer():
            word = "wrong answer" if wording.answered_wrongly(seen) else "no answer"
            return "answering" if seen.answered else f"{word} {_since(found, zone)}: {wording.clean(seen.reason)}"
        case Condition():
            word = "stopped" if seen.grave else "faulty"
            if seen.ok:
                return wording.clean(seen.unjudged) or "OK"
            return f"{word} {_since(found, zone)}: {wording.clean(seen.reason)}"
        case _:
            assert_never(seen)


def _forecast(found: Finding, seen: Level, zone: tzinfo) -> str:
    forecast = found.forecast
    if forecast is None:
        return ""
    if forecast.full:
        return "full"
    if forecast.stopped_s is not None:
        return wording.stopped_words(forecast, forecast.stopped_s, found.at, zone)
    if forecast.likely_s is None or forecast.earliest_s is None:
        return wording.no_end_phrase(forecast.no_end) if forecast.no_end else ""
    early, likely = (
        wording.duration(max(each - found.at.timestamp(), 0.0)) for each in (forecast.earliest_s, forecast.likely_s)
    )
    late = "no upper end" if forecast.latest_s is None else wording.duration(forecast.latest_s - found.at.timestamp())
    left_s, growth = forecast.likely_s - found.at.timestamp(), forecast.growth_per_day
    pace = f", growing {wording.pace(growth, left_s, seen.unit)}" if growth else ""
    return f"full in {likely} (90 %: {early} to {late}){pace}{_lasted(forecast)}"


def _lasted(forecast: Forecast) -> str:
    return "" if forecast.since_s is None else f" for {wording.duration(forecast.at_s - forecast.since_s)}"


def _limits(found: Finding, seen: Observation, limits: Rules) -> str:
    """The rule's limits, without those that are switched off."""
    match found.concern:
        case Concern.FULL:
            within = _listed("within", limits.full.caution_s, limits.full.warning_s, limits.full.alarm_s)
            return within + _share_limits(found, limits.used_share)
        case Concern.OVERDUE:
            return _overdue_limits(seen, limits.overdue)
        case Concern.NOT_ANSWERING:
            return _listed("after", *_of_silence(limits.not_answering))
        case Concern.FAULTY:
            plain, grave = limits.faulty.priority, limits.faulty.failed_priority
            return f"limits: faulty is {wording.priority_words(plain)}, stopped is {wording.priority_words(grave)}"
        case Concern.NOT_REPORTING:
            priority = wording.priority_words(limits.not_reporting.priority)
            return f"limits: {priority} after {limits.not_reporting.intervals:g} of the probe's intervals"
        case _:
            assert_never(found.concern)


def _of_silence(rule: NotAnsweringRule) -> tuple[float | None, float | None, float | None]:
    return rule.caution_s, rule.warning_s, rule.alarm_s


def _share_limits(found: Finding, rule: UsedShareRule) -> str:
    """The limits of the used share, if they are for this subject."""
    if rule.lowest(found.key.subject) is None:
        return ""
    limits = zip(Priority, (rule.caution, rule.warning, rule.alarm), strict=True)
    return f", {', '.join(f'{p.word} at {wording.share(limit)} used' for p, limit in limits if limit is not None)}"


def _overdue_limits(seen: Observation, rule: OverdueRule) -> str:
    if isinstance(seen, Deadline) and seen.period_s is not None:
        late = (rule.late_caution, rule.late_warning, rule.late_alarm)
        return _listed("late by", *(None if each is None else each * seen.period_s for each in late))
    return _listed("within", rule.ahead_caution_s, rule.ahead_warning_s, rule.ahead_alarm_s)


def _listed(word: str, *limits_s: float | None) -> str:
    """`limits: warning after 3 min, alarm after 1 h`."""
    set_ = [f"{p.word} {word} {wording.duration(s)}" for p, s in zip(Priority, limits_s, strict=True) if s is not None]
    return f"limits: {', '.join(set_)}" if set_ else "limits: none are set"


def _because(found: Finding, limits: Rules, zone: tzinfo) -> str:
    """Why the priority is not higher."""
    if found.concern is Concern.FULL and found.forecast is not None:
        return _because_full(found, found.forecast, limits.full, zone)
    if found.concern is Concern.NOT_ANSWERING and found.since is not None:
        ahead = [
            s
            for s in _of_silence(limits.not_answering)
            if s is not None and found.since + timedelta(seconds=s) > found.at
        ]
        return (
            f", the next limit is reached {_at(found.since + timedelta(seconds=min(ahead)), found.at, zone)}"
            if ahead
            else ""
        )
    return ""


def _because_full(found: Finding, forecast: Forecast, rule: FullRule, zone: tzinfo) -> str:
    """Compared with what the time left alone would require: the deadband, and how long the growth has lasted."""
    if found.used_limit is not None and found.priority is not None:
        return f", because the used share has reached {wording.share(found.used_limit)}"
    if forecast.likely_s is None:
        return ", because there is no time to full"
    left_s = forecast.likely_s - found.at.timestamp()
    plain = rules.within(left_s, rule.caution_s, rule.warning_s, rule.alarm_s)
    if (found.priority or 0) > (plain or 0):
        return ", kept: still within the deadband"
    if (found.priority or 0) < (plain or 0):
        if forecast.resting_since_s is not None:
            since = _at(rules.instant(forecast.resting_since_s), found.at, zone)
            higher = wording.priority_words(plain)
            return f", not {higher}: it has not grown since {since}, and raises nothing until it does"
        needed = wording.duration(rules.needed_s(forecast, left_s, rule))
        return f", not {wording.priority_words(plain)}: the growth has not lasted long enough (needs about {needed})"
    return "" if plain else ", because the time to full is beyond every limit"


def _alert(alert: Alert, limits: Rules, now: datetime, zone: tzinfo) -> str:
    """The state of the alert, and what is pending."""
    priority = f" ({alert.priority.word})" if alert.priority is not None else ""
    return "; ".join(
        (f"alert {alert.state.value}{priority}", *_running(alert, limits.delays(alert.concern), now, zone))
    )


def _running(alert: Alert, delays: Delays, now: datetime, zone: tzinfo) -> Iterator[str]:
    if (over := state_machine.pending_until(alert, delays)) is not None:
        yield f"{wording.priority_words(alert.pending)} from {_at(over, now, zone)} on, after the {_delay(alert)}"
    if alert.chattering:
        yield f"chattering: raised {alert.raise_count} times"
    if alert.escalated:
        yield "escalated to an alarm because nobody acknowledged the warning"
    since = alert.unacknowledged_since
    if delays.escalate_s is not None and since is not None and alert.priority is Priority.WARNING:
        yield f"an alarm from {_at(since + timedelta(seconds=delays.escalate_s), now, zone)} on, if not acknowledged"
    if alert.shelved(now):
        once = " or its next end" if alert.shelved_once else ""
        yield f"no messages: shelved until {_at(alert.shelved_until, now, zone)}{once}"
    if alert.held_by == MAINTENANCE:
        yield f"no messages: maintenance until {_at(alert.held_until, now, zone)}"
    elif alert.held_by is not None:
        until = f" until {_at(alert.held_until, now, zone)}" if alert.held_until else ""
        yield f"no messages: follows from the alert about {wording.clean(str(alert.held_by))}{until}"
    if alert.state is State.RECTIFIED:
        yield "waiting to be acknowledged"


def _delay(alert: Alert) -> str:
    rising = (alert.pending or 0) > (alert.priority or 0)
    return "on-delay" if rising else "off-delay of a chattering alert" if alert.chattering else "off-delay"


def _since(found: Finding, zone: tzinfo) -> str:
    return f"since {_at(found.since, found.at, zone)}" if found.since else "just now"


def _at(at: datetime | None, now: datetime, zone: tzinfo) -> str:
    """To the second, because delays are of seconds; in the form of every other time."""
    return "an unknown time" if at is None else wording.exact_instant(at, zone, now)
