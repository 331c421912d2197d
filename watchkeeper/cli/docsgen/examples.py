"""One message of each kind, made by the daemon's own rules, alerts and sentences: the examples of the manual.

The station's server on one day in November. No message text is written here; all of it comes from messages/.
"""

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from watchkeeper.alerting import state_machine
from watchkeeper.alerting.correlation.group_alerts import FLOOD, GROUP, OWN, Flood, Group
from watchkeeper.alerting.rules import (
    FaultyRule,
    FullRule,
    NotAnsweringRule,
    NotReportingRule,
    OverdueRule,
    judge_faulty,
    judge_full,
    judge_not_answering,
    judge_not_reporting,
    judge_overdue,
)
from watchkeeper.manual.runbook import first_step
from watchkeeper.messages import build, reminders
from watchkeeper.messages.delivery.superseded import rewrite_superseded
from watchkeeper.messages.digest import digest
from watchkeeper.messages.happened import Happened
from watchkeeper.model.alert import Alert, Concern, Delays, Transition
from watchkeeper.model.chattering import Chattering
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.history.availability import Outage
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey
from watchkeeper.model.records import Entry, EventLine
from watchkeeper.model.units import DAY_S

HOST, ZONE, NOW = "gannet", ZoneInfo("Europe/Paris"), datetime(2026, 11, 24, 9, 12, tzinfo=UTC)
GIB = 2**30

SKERRY = SeriesKey("pool skerry", "space")
HIDE_HUB = SeriesKey("service hide-hub", "answer")
HEALTH = SeriesKey("pool skerry", "health")
NEWEST = SeriesKey("snapshots of ringing-db", "newest")
CERTIFICATE = SeriesKey("service tide-log", "certificate")
MOUNT = SeriesKey("file system /mnt/jetty", "space")
GUESTS = ("hide-hub", "ringing-db", "tide-log")

Case = tuple[Transition, Finding, Observation | None]


def examples() -> Iterator[tuple[str, str, Message]]:
    """Each message with its kind and when such a message is sent."""
    pool = [_message(each) for each in _walk(_filling(), _level())]
    silent = list(_walk(_silence(), _answer(answered=False)))
    begun, worse, eased, ended = pool
    yield "Raised", "An alert begins: here a level that is forecast to be full.", begun
    yield "Worse", "Its priority rises.", worse
    yield "Eased", "Its priority is lower now, and it is still active.", eased
    yield "Ended", "It is over. Everybody who was notified of the alert is notified of its end.", ended
    yield "Not answering", "A service gives no right answer.", _message(silent[0])
    yield "Overdue", "A time by which something must happen again has passed.", _overdue(_snapshot())
    yield "A single end", "A certificate will expire: this is reported in advance.", _overdue(_certificate())
    yield "Faulty", "A condition is not OK. What has stopped working is an alarm.", _faulty()
    yield "Not reporting", "Nothing is known of a thing any more.", _stale()
    yield "Several at once", "Answers that were lost within about a minute are one message.", _group()
    yield "A flood", "Ten alerts in ten minutes: one summary replaces them.", _flood()
    yield "Comes and goes", "The third raise within six hours.", _chattering()
    yield "Reminded", "Nobody has acknowledged it.", _reminder(silent[0])
    yield "Sent late", "It could not be sent in time, and has changed since.", _late(pool[0], pool[1])
    yield "Digest", "At the times of `digest`.", _digest(silent[0])
    yield "Noted", "The watch itself was away, and goes on.", _away()
    yield "Test", "What `watchkeeper test-notifiers` sends.", build.test_message(HOST, NOW, ZONE)


def _message(case: Case) -> Message:
    return build.compose(*case, HOST, ZONE, first_step)


def _walk(findings: Iterable[Finding], seen: Observation | None, delays: Delays = Delays()) -> Iterator[Case]:  # noqa: B008  frozen
    alert: Alert | None = None
    for found in findings:
        alert, moves = state_machine.step(alert or Alert(found.key, found.concern), found.priority, found.at, delays)
        yield from ((move, found, seen) for move in moves if move.notification is not None)


def _level() -> Level:
    return Level(SKERRY, 1946 * GIB, 2048 * GIB, facts=(("grew most", "nest-cams 78 GiB in 7 days"),))


def _filling() -> Iterator[Finding]:
    standing = None
    for hours, days in ((0, (2.1, 3.2, 5.0)), (50, (0.7, 0.9, 1.3)), (55, (7.0, 12.0, None)), (56, None)):
        now = NOW + timedelta(hours=hours)
        found = judge_full(SKERRY, _forecast(now, days), now, FullRule(), standing)
        standing = found.priority
        yield found


def _forecast(now: datetime, days: tuple[float, float, float | None] | None) -> Forecast:
    at_s = now.timestamp()
    if days is None:
        return Forecast(at_s, 1946 * GIB, 2048 * GIB, no_end=NoEnd.STILL)
    first_s, likely_s, last_s = (None if each is None else at_s + each * DAY_S for each in days)
    since_s = NOW.timestamp() - 7 * DAY_S
    return Forecast(
        at_s,
        1946 * GIB,
        2048 * GIB,
        earliest_s=first_s,
        likely_s=likely_s,
        latest_s=last_s,
        growth_per_day=11 * GIB,
        since_s=since_s,
    )


def _answer(*, answered: bool, key: SeriesKey = HIDE_HUB) -> Answer:
    return Answer(key, answered, "" if answered else "status 502, expected 200-299", 0.1)


def _silence(key: SeriesKey = HIDE_HUB) -> Iterator[Finding]:
    yield judge_not_answering(_answer(answered=False, key=key), NOW - timedelta(minutes=3), NOW, NotAnsweringRule())


def _snapshot() -> Deadline:
    last_at = NOW - timedelta(hours=27)
    return Deadline(NEWEST, last_at + timedelta(hours=26), last_at, 26 * 3600.0, (("newest", "daily-2026-11-23"),))


def _certificate() -> Deadline:
    return Deadline(CERTIFICATE, NOW + timedelta(days=6), facts=(("issued by", "the station's own authority"),))


def _overdue(seen: Deadline) -> Message:
    (case,) = _walk([judge_overdue(seen, NOW, NOW, OverdueRule())], seen)
    return _message(case)


def _faulty() -> Message:
    seen = Condition(HEALTH, ok=False, reason="the pool is SUSPENDED: sdc is UNAVAIL", grave=True)
    (case,) = _walk([judge_faulty(seen, NOW, NOW, FaultyRule())], seen)
    return build.compose(*case, HOST, ZONE, first_step, tuple(f"guest {name}" for name in GUESTS))


def _stale() -> Message:
    (case,) = _walk([judge_not_reporting(MOUNT, NOW - timedelta(minutes=3), 60.0, NOW, NotReportingRule())], None)
    return _message(case)


def _lost() -> list[Alert]:
    keys = [SeriesKey(f"service {name}", "answer") for name in GUESTS]
    return [move.after for key in keys for move, *_ in _walk(_silence(key), None)]


def _group() -> Message:
    found, _, (move,) = Group().step(Alert(GROUP, OWN[GROUP]), _lost(), NOW, gathering=False)
    return _message((move, found, None))


def _flood() -> Message:
    flood = Flood()
    for _ in range(10):
        flood.count(NOW)
    found, _, (move,) = flood.step(Alert(FLOOD, OWN[FLOOD]), _lost(), NOW)
    return _message((move, found, None))


def _chattering() -> Message:
    seen = Condition(SeriesKey("device lamp-radio", "steady"), ok=False, reason="it went away and came back 4 times")
    well = Condition(seen.key, ok=True)
    findings = [
        judge_faulty(each, None if each.ok else at, at, FaultyRule())
        for hour in range(3)
        for each, at in ((seen, NOW + timedelta(hours=hour)), (well, NOW + timedelta(hours=hour, minutes=20)))
    ]
    *_, case = _walk(findings, seen, Delays(chattering=Chattering()))
    return _message(case)


def _reminder(case: Case) -> Message:
    move, found, seen = case
    due_at = NOW + timedelta(days=1)
    return reminders.remind(move.after, found, seen, reminders.Reminder(1, due_at, NOW), due_at, HOST, ZONE, first_step)


def _late(first: Message, newest: Message) -> Message:
    return rewrite_superseded(first, newest, newest.at + timedelta(hours=1), ZONE)


def _digest(case: Case) -> Message:
    findings = [judge_full(SKERRY, _forecast(NOW, (16.0, 24.0, 40.0)), NOW, FullRule(), None), case[1]]
    findings.append(judge_overdue(_certificate(), NOW, NOW, OverdueRule()))
    return digest(findings, _record(case), NOW, NOW, HOST, ZONE)


def _record(case: Case) -> Happened:
    """Since the digest of the day before: an outage, a backup that was late, and what is active now."""
    begin = NOW - timedelta(hours=7)
    outage = Outage(begin.timestamp(), (begin + timedelta(minutes=12)).timestamp(), 720.0, "connection refused")
    began, ended = (
        EventLine(
            NOW - timedelta(hours=hours), Entry.TRANSITION, text, NEWEST, Concern.OVERDUE, {"event": event, **state}
        )
        for hours, text, event, state in (
            (6, "snapshots of ringing-db: newest overdue by 60 s", "raise", {"state": "active", "priority": "warning"}),
            (4, "snapshots of ringing-db: newest made (alert ended)", "clear", {"state": "rectified"}),
        )
    )
    return Happened(NOW - timedelta(days=1), (began, ended), {HIDE_HUB: (outage,)}, (case[0].after,))


def _away() -> Message:
    return build.noted(
        HOST,
        NOW,
        ZONE,
        "monitoring was interrupted for 5 h 20 min, until Tue 24 Nov 10:12",
        "monitoring was interrupted for 5 h 20 min: from Tue 24 Nov 04:52 to Tue 24 Nov 10:12. The host was suspended.",
        "What happened in that time is not known; it does not count as missing answers. Monitoring continues.",
    )
