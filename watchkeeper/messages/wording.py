"""Words for people: durations, instants, amounts and the short phrases that mail, page and terminal share.

What may live here: pure functions from values to words, in plain English. Whole messages are built in body.py, advice
comes from the runbook (runbook.py). Not here: markup, colours, and the decision what to notify.

Names and reasons come from outside and may be hostile, so everything that is quoted goes through `clean`.
"""

import math
import re
import unicodedata
from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from typing import assert_never

from watchkeeper.model.alert import Concern, Event, Priority, State, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd, UnusualGrowth
from watchkeeper.model.observation import OWN_NAME, Answer, Condition, Level, Observation, SeriesKey, Unit
from watchkeeper.model.operator.maintenance import MAINTENANCE
from watchkeeper.model.operator.simulation import is_simulated
from watchkeeper.model.units import format_size

SECOND, MINUTE, HOUR, DAY = 1, 60, 3_600, 86_400
YEAR = 31_557_600  # the Julian year of 365.25 days, so that a month is a whole number of seconds
MONTH = YEAR // 12
_CENTURY = 100 * YEAR

_UNIT_WORDS = {
    SECOND: ("s", "s"),
    MINUTE: ("min", "min"),
    HOUR: ("h", "h"),
    DAY: ("day", "days"),
    MONTH: ("month", "months"),
    YEAR: ("year", "years"),
}

_SPANS = (
    (2 * MINUTE, SECOND, SECOND),
    (HOUR, MINUTE, MINUTE),
    (DAY, HOUR, MINUTE),
    (3 * DAY, DAY, HOUR),
    (100 * DAY, DAY, DAY),
    (2 * YEAR, MONTH, MONTH),
    (math.inf, YEAR, YEAR),
)
"""(below this, the larger unit, the smaller unit, the rounding step): a day more or less matters within weeks."""

_ROUGHLY = (
    (10 * MINUTE, MINUTE),
    (90 * MINUTE, 5 * MINUTE),
    (6 * HOUR, 30 * MINUTE),
    (2 * DAY, HOUR),
    (30 * DAY, DAY),
    (100 * DAY, 5 * DAY),
    (2 * YEAR, MONTH),
    (math.inf, YEAR),
)
"""(below this, rounded to this): an estimate is given to about a tenth, as more digits would be false precision."""

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
# Own names, because strftime would use the language of the process.

_NEAR_S = 2 * DAY
"""Up to here the time of day is given too; beyond it a forecast knows the day at best."""

_THIS_YEAR_S = 300 * DAY
"""Beyond this a day without its year could be mistaken for one of another year."""

_IMPLIED = frozenset(
    {"", "space", "size", "in use", "answer", "health", "state", "report", "age of the newest", "validity"}
)
"""Quantities that are left out, because they are the natural one of their subject."""

_NO_END = {
    NoEnd.TOO_FEW: "still learning: too few readings for a forecast",
    NoEnd.STILL: "not filling",
    NoEnd.SHRINKING: "shrinking",
    NoEnd.UNCERTAIN: "no forecast: its changes are too irregular",
    NoEnd.FAR: "not expected to fill within 10 years",
    NoEnd.CLEARED: "expected to drop before it is full",
}

LEARNING = "still learning: recorded for less than an hour"
"""Of a level whose record is too short for anything else."""

_DEADLINE = {
    "certificate": ("expires in {}", "expired {} ago"),
    "validity": ("expires in {}", "expired {} ago"),
    "support": ("ends in {}", "ended {} ago"),
}
"""Wording of a deadline's time left and time past, where "due" and "overdue" would not fit."""

CONDITIONS = {
    "runs": ("running", "failing", "running again"),
    "answers": ("answering", "not answering", "answering again"),
    "sees all": ("sees everything", "cannot see everything", "sees everything again"),
    "there": ("present", "missing", "present again"),
    "writable": ("writable", "not writable", "writable again"),
    "synchronised": ("synchronised", "not synchronised", "synchronised again"),
    "plugged in": ("plugged in", "not plugged in", "plugged in again"),
    "steady": ("stable", "not stable", "stable again"),
    "errors": ("reports no errors", "reports errors", "reports no more errors"),
    "pressure": ("not under pressure", "under pressure", "no longer under pressure"),
    "allocation": ("not overcommitted", "overcommitted", "no longer overcommitted"),
    "result": ("OK", "failed", "OK again"),
    "database": ("can write its database", "cannot write its database", "can write its database again"),
    "mounted": ("mounted", "not mounted", "mounted again"),
    "recorded errors": ("has no recorded errors", "has recorded errors", "has no more recorded errors"),
    "kernel messages": ("has no kernel errors", "has kernel errors", "has no more kernel errors"),
    "speed": ("as fast as usual", "slower than usual", "as fast as usual again"),
    "redundancy": ("keeps copies of all data", "has data without a copy", "keeps copies of all data again"),
    "parity": ("has matching parity", "has parity that does not match", "has matching parity again"),
    "restarts": ("not restarted unexpectedly", "restarted unexpectedly", "running since its restart"),
    "read": ("read", "not read", "read again"),
    "listed": ("listed", "not listed", "listed again"),
    "units": ("has no failed units", "has failed units", "has no more failed units"),
    "leaving": ("leaving", "not leaving", "leaving again"),
    "mounted datasets": ("has all datasets mounted", "has datasets not mounted", "has all datasets mounted again"),
    "early signs": (
        "shows no early signs of failure",
        "shows early signs of failure",
        "shows no more signs of failure",
    ),
    "interface errors": ("connected without errors", "has a faulty connection", "connected without errors again"),
    "power losses": ("keeps its power", "loses its power", "keeps its power again"),
    "backups": ("all have a backup", "without a backup", "all have a backup again"),
    "backup placement": (
        "have backups on other stores",
        "have backups only on their own store",
        "have backups on other stores again",
    ),
    "content": ("undamaged", "damaged", "undamaged again"),
    "restore": ("restored", "restore failed", "restored again"),
    "plausibility": ("plausible", "not plausible", "plausible again"),
    "carrier": ("connected", "not connected", "connected again"),
    "link speed": ("as fast as ever", "slower than before", "as fast as ever again"),
    "frame errors": ("has few errors", "has many errors", "has few errors again"),
    "members": ("has all its members", "lacks a member", "has all its members again"),
    "default route": ("has its default route", "has no default route", "has its default route again"),
    "own addresses": ("keeps its addresses", "has other addresses", "keeps its addresses again"),
    "name servers": ("keeps its name servers", "has other or no name servers", "keeps its name servers again"),
    "memory errors": ("has no memory errors", "has memory errors", "has no more memory errors"),
    "PCI Express errors": (
        "has no PCI Express errors",
        "has PCI Express errors",
        "has no more PCI Express errors",
    ),
    "processor errors": ("has no processor errors", "has processor errors", "has no more processor errors"),
    "throttling": ("not slowed down by heat", "slowed down by heat", "no longer slowed down by heat"),
    "reading": ("OK", "out of its limits", "OK again"),
    "heat": ("not too hot", "too hot", "no longer too hot"),
    "latency": ("not slow", "slow", "no longer slow"),
    "disk errors": ("has no disk errors", "has disk errors", "has no more disk errors"),
    "disk images": ("has intact disk images", "has faulty disk images", "has intact disk images again"),
    "pressure on disks": ("not waiting for disks", "waiting for disks", "no longer waiting for disks"),
    "pressure on processors": (
        "not waiting for processors",
        "waiting for processors",
        "no longer waiting for processors",
    ),
    "memory allocation": ("not overcommitted", "overcommitted", "no longer overcommitted"),
    "kernel kills": ("sufficient", "too short", "sufficient again"),
    "scrub errors": ("has no damaged data", "has damaged data", "has no more damaged data"),
    "free space": ("has enough free space", "has too little free space", "has enough free space again"),
    "oldest": ("not kept too long", "kept too long", "no longer kept too long"),
    "auxiliary devices": (
        "has working log and cache devices",
        "has log or cache devices at fault",
        "has working log and cache devices again",
    ),
    "layers": ("OK", "at fault", "OK again"),
    "placement": ("well placed", "on a ZFS volume", "no longer on a ZFS volume"),
    "single devices": (
        "has a second copy of each device",
        "has a device without a second copy",
        "has a second copy of each device again",
    ),
    "fragmentation": (
        "not too full or fragmented to write fast",
        "too full or fragmented to write fast",
        "no longer too full or fragmented to write fast",
    ),
    "extension": (
        "not overcommitted, or extended",
        "not extended when it fills",
        "extended or no longer overcommitted",
    ),
    "configured": ("fully configured", "not fully configured", "fully configured again"),
    "repositories": (
        "from valid repositories",
        "from repositories that are not valid",
        "from valid repositories again",
    ),
    "served certificate": (
        "serves its newest certificate",
        "serves an old certificate",
        "serves its newest certificate again",
    ),
    "libraries": ("run current libraries", "run replaced libraries", "run current libraries again"),
    "boot files": ("has all boot files", "has missing boot files", "has all boot files again"),
    "boot": ("has booted", "has not finished booting", "has finished booting"),
    "clock": ("has the right time", "has the wrong time", "has the right time again"),
    "network": ("has a network address", "has no network address", "has a network address again"),
    "trimmed space": ("gives back freed space", "has not given back freed space", "has given back freed space"),
    "image": ("runs a recent image", "runs an old image", "runs a recent image again"),
    "memory shortage": ("has not run out of memory", "ran out of memory", "no longer out of memory"),
    "memory kills": ("not killed for its memory", "killed for its memory", "no longer killed for its memory"),
    "mains power": ("on mains power", "on battery", "on mains power again"),
    "output": ("protects what it feeds", "does not protect what it feeds", "protects what it feeds again"),
    "overload": ("not overloaded", "overloaded", "no longer overloaded"),
    "battery health": ("reports no battery fault", "reports a battery fault", "no longer reports a battery fault"),
    "in its guest": ("held by its guest", "lost by its guest", "held by its guest again"),
    "balloon": ("has enough memory", "is left too little memory", "has enough memory again"),
    "heard from": ("was heard from", "has not been heard from", "was heard from again"),
    "access to the archive": (
        "has access to the archive",
        "has no access to the archive",
        "has access to the archive again",
    ),
    "rate": ("at a normal rate", "unusually frequent", "at a normal rate again"),
}
"""OK, faulty and OK again, for the quantities with their own words; the subject goes before it."""

_OK = ("OK", "faulty", "OK again")

_FULL = {"endurance": "used up", "spare blocks": "used up"}
"""What a level is at its capacity, for the quantities that do not become "full"."""

_TRANSITIONS = {
    Event.CLEAR: "alert ended",
    Event.ACKNOWLEDGE: "alert acknowledged",
    Event.LAPSE: "ended alert no longer listed",
    Event.SHELVE: "alert shelved",
    Event.UNSHELVE: "alert no longer shelved",
}
"""The events of an alert whose line does not need its concern and priority."""

_STATES = {
    State.NORMAL: "normal",
    State.ACTIVE: "active",
    State.ACKNOWLEDGED: "acknowledged",
    State.RECTIFIED: "rectified: it ended before anyone acknowledged it",
}


_FACT_INSTANT = re.compile(r"\b([0-9]{4}-[0-9]{2}-[0-9]{2} [0-9]{2}:[0-9]{2}) UTC\b")


def clean(text: str, limit: int = 200) -> str:
    """Make text from outside fit on one line: no control or direction marks, no more than `limit` characters.

    Text that is too long keeps its head and its tail, because a path's tail says more than its middle.
    """
    # Printable ASCII holds nothing harmful, and nearly every name is that: no need to check each character.
    plain = text.isascii() and text.isprintable()
    line = " ".join((text if plain else "".join(_harmless(sign) for sign in text)).split())
    if len(line) <= limit:
        return line
    tail = limit // 3
    return f"{line[: limit - tail - 1]}…{line[-tail:]}"


def headed(text: str, limit: int) -> str:
    """Make a sentence fit on one line as `clean` does, but cut its end, after a whole word: it begins with the fact."""
    line = clean(text, len(text))
    return line if len(line) <= limit else f"{line[: limit - 1].rsplit(' ', 1)[0].rstrip(' ,;:')}…"


def joined(parts: Sequence[str]) -> str:
    """A list in a sentence: `a`, `a and b`, `a, b and c`; empty for none."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def _harmless(sign: str) -> str:
    match unicodedata.category(sign):
        case "Cc" | "Zl" | "Zp":  # control characters, line and paragraph separators
            return " "
        case "Cf":  # direction marks, joiners, soft hyphens: they change how the rest looks
            return ""
        case (
            "Cs" | "Cn" | "Co"
        ):  # half a surrogate pair (a name on disk that is not UTF-8), or not a standard character
            return "\ufffd"
        case _:
            return sign


def duration(seconds: float) -> str:
    """How long something took or lasts, in one or two units: `40 s`, `5 h 20 min`, `3 days`. Below zero counts as 0."""
    left = max(seconds, 0.0)
    if left > _CENTURY:
        return "over 100 years"
    large, small, whole = next(
        (large, small, whole) for below, large, small in _SPANS if (whole := round(left / small) * small) < below
    )
    count, rest = divmod(whole, large)
    parts = [_counted(count, large)] if count or not rest else []
    return " ".join(parts + ([_counted(rest // small, small)] if rest else []))


def about(seconds: float) -> str:
    """An estimated time left: `about 3 days`; rounded to avoid false precision."""
    if seconds < MINUTE:
        return "less than 1 min"
    if seconds > _CENTURY:
        return duration(seconds)
    whole = next(whole for below, step in _ROUGHLY if (whole := round(seconds / step) * step) < below)
    return f"about {duration(whole)}"


def _counted(count: int, unit: int) -> str:
    one, many = _UNIT_WORDS[unit]
    return f"{count} {one if count == 1 else many}"


def clock_time(at: datetime, zone: tzinfo) -> str:
    """`14:05` in the operator's zone."""
    return f"{at.astimezone(zone):%H:%M}"


def day(at: datetime, zone: tzinfo, now: datetime) -> str:
    """`Fri 27 Nov` in the operator's zone; with the year if it is far from now."""
    local = at.astimezone(zone)
    text = f"{_DAYS[local.weekday()]} {local.day} {_MONTHS[local.month - 1]}"
    return text if abs((at - now).total_seconds()) < _THIS_YEAR_S else f"{text} {local.year}"


def instant(at: datetime, zone: tzinfo, now: datetime) -> str:
    """`Fri 27 Nov 14:05` in the operator's zone."""
    return f"{day(at, zone, now)} {clock_time(at, zone)}"


def exact_instant(at: datetime, zone: tzinfo, now: datetime) -> str:
    """`Fri 27 Nov 14:05:33` in the operator's zone: for what may have lasted only seconds."""
    return f"{instant(at, zone, now)}:{at.astimezone(zone):%S}"


def localized(text: str, zone: tzinfo, now: datetime) -> str:
    """A fact with its instants as the operator reads them: a probe knows no zone and writes `2026-11-24 09:12 UTC`."""

    def shown(found: re.Match[str]) -> str:
        try:
            at = datetime.fromisoformat(found[1]).replace(tzinfo=UTC)
        except ValueError:  # a program's own text
            return found[0]
        return instant(at, zone, now)

    return _FACT_INSTANT.sub(shown, text)


def moment(at: datetime, zone: tzinfo, now: datetime) -> str:
    """An instant as exactly as a forecast can know it: with the time of day within two days, else the day alone."""
    return instant(at, zone, now) if abs((at - now).total_seconds()) < _NEAR_S else day(at, zone, now)


def zone_name(at: datetime, zone: tzinfo) -> str:
    """The zone's name and its offset at that instant: `CET, now UTC+01:00`."""
    offset = f"{at.astimezone(zone):%z}"
    utc = "UTC" if offset == "+0000" else f"UTC{offset[:3]}:{offset[3:5]}"
    name = clean(str(getattr(zone, "key", "")), 60)
    return utc if name in {"", "UTC"} else f"{name}, now {utc}"


def share(part: float) -> str:
    """A share, 0 to 1, in percent; neither 0 nor 100 unless it is: `93 %`, `99.9 %`, `over 99.9 %`."""
    percent = 100 * part
    if 0 < percent < 0.1:
        return "under 0.1 %"
    if 99.9 < percent < 100:
        return "over 99.9 %"
    near_an_end = 0 < percent < 1 or 99 < percent < 100
    return f"{percent:.1f} %" if near_an_end else f"{percent:.0f} %"


def amount(value: float, unit: Unit) -> str:
    """A level's value in its unit: `1.9 TiB`, `1,234,567`, `93 %`."""
    match unit:
        case Unit.BYTES:
            return format_size(value)
        case Unit.COUNT:
            return f"{value:,.0f}"
        case Unit.SHARE:
            return share(value)
        case _:
            assert_never(unit)


def fill(level: Level) -> str:
    """How full a level is: `1.9 TiB of 2 TiB used (95 %), 102 GiB left`; a measured number: `12.4, at least 11.8`."""
    if level.limit:
        return f"{measured(level.used, level.unit)}, {level.limit} {measured(level.capacity, level.unit)}"
    left, used = max(level.capacity - level.used, 0.0), share(level.used / level.capacity)
    if level.unit is Unit.SHARE:
        return f"{used} used, {share(left)} left"
    of, rest = amount(level.capacity, level.unit), amount(left, level.unit)
    return f"{amount(level.used, level.unit)} of {of} used ({used}), {rest} left"


def measured(value: float, unit: Unit) -> str:
    """A measured number with its decimals: it is a count only if no unit says more."""
    return f"{value:g}" if unit is Unit.COUNT else amount(value, unit)


def thing(key: SeriesKey, limit: int = 44, seen: Observation | None = None) -> str:
    """The name of a series in a sentence: the subject, and the quantity if that adds something.

    seen: its newest observation, if it is known: it may have the operator's own name of the subject.
    """
    subject = _subject(key, limit, seen)
    if is_simulated(key):
        return f"TEST: {subject}"
    implied = key.quantity in _IMPLIED or key.quantity in CONDITIONS
    return subject if implied else f"{subject}: {clean(key.quantity, 24)}"


def _subject(key: SeriesKey, limit: int, seen: Observation | None) -> str:
    """The subject; behind the operator's own name for it, if there is one: `upper bay (disk Example S2R5NX0H)`."""
    own = next((value for name, value in seen.facts if name == OWN_NAME), "") if seen is not None else ""
    if not own:
        return clean(key.subject, limit)
    own = clean(own, limit - LEAST_SUBJECT)
    # Less of the subject than fits: a headline has little room, and who gave the name knows the disk by it.
    return f"{own} ({clean(key.subject, min(limit // 2, limit - len(own) - len(' ()')))})"


LEAST_SUBJECT = 16
"""Behind an own name, at least so much of the subject is shown."""


def priority_words(priority: Priority | None) -> str:
    """A priority with its article: `a caution`, `an alarm`; `no alert` for None."""
    if priority is None:
        return "no alert"
    return f"{'an' if priority is Priority.ALARM else 'a'} {priority.word}"


def concern_words(concern: Concern) -> str:
    """What an alert is about, in a word or two: `filling up`, `overdue`. FULL is raised long before a level is full."""
    return "filling up" if concern is Concern.FULL else concern.words


def transition_words(move: Transition) -> str:
    """The line of the event log for a transition that sends no message: `service tide-log: not answering (alarm)`."""
    after = move.after
    if move.event in _TRANSITIONS or after.priority is None:
        return f"{thing(after.key)}: {_TRANSITIONS.get(move.event, 'alert ended')}"
    if after.held_by == MAINTENANCE:
        return f"{thing(after.key)}: {concern_words(after.concern)} ({after.priority.word}); maintenance, no message"
    held = f"; follows from {thing(after.held_by)}, no separate message" if after.held_by else ""
    return f"{thing(after.key)}: {concern_words(after.concern)} ({after.priority.word}){held}"


def state_words(state: State) -> str:
    """What an alert's state means, in words."""
    return _STATES[state]


def time_left_phrase(finding: Finding, now: datetime, zone: tzinfo, seen: Observation | None = None) -> str:
    """The time that is left, or since when there has been none, in a few words without the subject.

    seen: the newest observation, if it is known: it tells a wrong answer from none, and the unit of a growth rate.
    """
    if is_simulated(finding.key):
        return "simulated alert, nothing has happened"
    match finding.concern:
        case Concern.FULL:
            return _until_full(finding, now, zone, seen)
        case Concern.OVERDUE:
            return _until_due(finding, now)
        case Concern.NOT_ANSWERING:
            word = "answering wrongly" if answered_wrongly(seen) else "not answering"
            return _lasting(word, finding.since, now) if finding.since else "answering"
        case Concern.FAULTY:
            return _faulty(finding, now, zone, seen)
        case Concern.NOT_REPORTING:
            return _lasting("not reporting", finding.since, now) if finding.since else "reporting"
        case _:
            assert_never(finding.concern)


def answered_wrongly(seen: Observation | None) -> bool:
    """Did it answer, but not as expected?"""
    return isinstance(seen, Answer) and not seen.answered and seen.took_s is not None


def _until_full(finding: Finding, now: datetime, zone: tzinfo, seen: Observation | None) -> str:
    found = finding.forecast
    if found is not None and (undated := _undated(finding, found, now, zone, seen)):
        return undated
    if finding.ends_at is None:
        return clean(finding.reason) or "no forecast"
    left_s = (finding.ends_at - now).total_seconds()
    word = full_word(finding.key)
    if found is not None and found.resting_since_s is not None:
        return _resting(found, found.resting_since_s, f"{word} in {about(left_s)}" if left_s > 0 else "", now, zone)
    return f"{word} in {about(left_s)}" if left_s > 0 else f"{word} at any moment"


def _resting(found: Forecast, since_s: float, end: str, now: datetime, zone: tzinfo) -> str:
    """`full in about 2 hours if it goes on; not growing since 08:00`. end: when it is full, if that is still ahead."""
    since = _time_or_instant(datetime.fromtimestamp(since_s, UTC), now, zone)
    if not end:
        return f"not growing since {since}, at {share(found.used / found.capacity)}"
    return f"{end} if it goes on; not growing since {since}"


def _undated(finding: Finding, found: Forecast, now: datetime, zone: tzinfo, seen: Observation | None) -> str:
    """What is said instead of the time left; empty if there is one to state."""
    if found.used >= found.capacity:
        return full_word(finding.key)
    if finding.used_limit is not None and finding.priority is not None:
        return _over_limit(finding, finding.used_limit, found, now)
    if found.resting_since_s is not None and _is_too_early(finding, found):
        return _resting(found, found.resting_since_s, "", now, zone)
    if found.unusual is not None and finding.priority is None:
        return _unusual(found, found.unusual, now, zone, seen)
    if found.stopped_s is not None:
        return stopped_words(found, found.stopped_s, now, zone)
    if found.learning and finding.priority is None:
        return LEARNING
    if finding.early:
        return "growing; too early for a date"
    # A time beyond the calendar is also a forecast: it has no `no_end`.
    return no_end_phrase(found.no_end or NoEnd.FAR) if finding.ends_at is None else ""


def _is_too_early(finding: Finding, found: Forecast) -> bool:
    """Return whether it is too early for a date of what grows."""
    return finding.early or (found.unusual is not None and finding.priority is None)


def _unusual(found: Forecast, growth: UnusualGrowth, now: datetime, zone: tzinfo, seen: Observation | None) -> str:
    """`growing unusually fast since 08:00; too early for a date; at this rate, ...`."""
    rate = at_this_rate(found, seen.unit) if isinstance(seen, Level) else ""
    return "; ".join(filter(None, (unusual_words(growth, now, zone), "too early for a date", rate)))


def stopped_words(found: Forecast, stopped_s: float, now: datetime, zone: tzinfo) -> str:
    """`stopped growing at 46 % at 10:38`."""
    at = datetime.fromtimestamp(stopped_s, UTC)
    return f"stopped growing at {share(found.used / found.capacity)} at {_time_or_instant(at, now, zone)}"


def _time_or_instant(at: datetime, now: datetime, zone: tzinfo) -> str:
    """`08:00`, with the day if it is another one."""
    same_day = at.astimezone(zone).date() == now.astimezone(zone).date()
    return clock_time(at, zone) if same_day else instant(at, zone, now)


def full_word(key: SeriesKey) -> str:
    """What a level is at its capacity: `full`, `used up`."""
    return _FULL.get(key.quantity, "full")


def _over_limit(finding: Finding, limit: float, found: Forecast, now: datetime) -> str:
    """`92 % used, over your limit of 90 %; full in about 5 days`."""
    said = f"{share(found.used / found.capacity)} used, your limit is {share(limit)}"
    left_s = (finding.ends_at - now).total_seconds() if finding.ends_at else 0.0
    return f"{said}; {full_word(finding.key)} in {about(left_s)}" if left_s > 0 else said


def unusual_words(found: UnusualGrowth, now: datetime, zone: tzinfo) -> str:
    """`growing unusually fast since 08:00`."""
    since = datetime.fromtimestamp(found.since_s, UTC)
    return f"growing unusually fast since {_time_or_instant(since, now, zone)}"


def at_this_rate(found: Forecast, unit: Unit) -> str:
    """`at this rate, 14 GiB an hour, full in about 2 days`; empty if no growth is unusual."""
    if found.unusual is None:
        return ""
    left_s = found.unusual.full_s - found.at_s
    return f"at this rate, {pace(found.unusual.per_day, left_s, unit)}, full in {about(left_s)}"


def pace(per_day: float, left_s: float | None, unit: Unit) -> str:
    """A growth rate: a day, or an hour or a minute if the level will be full sooner than that: `14 GiB an hour`."""
    span_s, word = (DAY, "a day")
    if left_s is not None and left_s < DAY:
        span_s, word = (MINUTE, "a minute") if left_s < HOUR else (HOUR, "an hour")
    return f"{amount(per_day * span_s / DAY, unit)} {word}"


def no_end_phrase(why: NoEnd) -> str:
    """Why there is no time to full, in words."""
    return _NO_END[why]


def _until_due(finding: Finding, now: datetime) -> str:
    if finding.ends_at is None:
        return clean(finding.reason) or "no date known"
    ahead, late = _DEADLINE.get(finding.key.quantity, ("due in {}", "overdue by {}"))
    left_s = (finding.ends_at - now).total_seconds()
    if -1 < left_s < 1:
        phrase = "due now"
    else:
        phrase = ahead.format(duration(left_s)) if left_s > 0 else late.format(duration(-left_s))
    return f"{clean(finding.reason)}, {phrase}" if finding.reason else phrase


def _lasting(word: str, since: datetime, now: datetime) -> str:
    lasted_s = (now - since).total_seconds()
    return f"{word} for {duration(lasted_s)}" if lasted_s >= 1 else word


def condition_words(key: SeriesKey) -> tuple[str, str, str]:
    """OK, faulty and OK again, in the words of a condition's quantity."""
    return CONDITIONS.get(key.quantity, _OK)


def condition_said(seen: Condition) -> str:
    """How a condition is, in a few words."""
    ok, faulty, _ = condition_words(seen.key)
    if seen.unjudged:
        return f"{clean(seen.key.quantity, 24)} {clean(seen.unjudged)}"
    return ok if seen.ok else clean(seen.reason) or faulty


def _faulty(finding: Finding, now: datetime, zone: tzinfo, seen: Observation | None) -> str:
    if finding.since is None and isinstance(seen, Condition) and seen.unjudged:
        return condition_said(seen)
    ok, faulty, _ = condition_words(finding.key)
    if finding.since is None:
        return ok if finding.priority is None else faulty
    return f"{faulty} since {_time_or_instant(finding.since, now, zone)}"
