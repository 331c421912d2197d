"""The digest: active alerts, what happened and ended, what is nearest to full, what is overdue or due next. Pure.

What is active comes from the newest findings alone, so that it agrees with the page; what happened since the digest
before comes from the record (happened.py). Not here: when it is sent, and to whom.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from watchkeeper.messages import happened, wording
from watchkeeper.messages.body import COLUMNS, LONGEST_HEADLINE, wrapped
from watchkeeper.messages.build import of_no_alert, thread_id
from watchkeeper.messages.happened import Happened
from watchkeeper.model.alert import Alert, Concern, NotificationKind, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Observation, SeriesKey

MOST = 5
"""Lines of what is next: a digest is read on a phone, and the page shows all of them. What is active is never cut."""

MOST_HAPPENED = 30
"""Lines of what happened and ended; the event log has the rest."""

FAR = timedelta(days=120)
"""Anything further ahead than this is left out, even if there is nothing nearer."""


def digest(
    findings: Sequence[Finding],
    record: Happened,
    due_at: datetime,
    now: datetime,
    host: str,
    zone: tzinfo,
    monthly: tuple[str, Sequence[str]] | None = None,
    seen: Mapping[SeriesKey, Observation] | None = None,
) -> Message:
    """Build the digest that was due at `due_at`, from what is known at `now`.

    record: what happened since the digest before, with every alert as it is now.
    seen: the newest observations, which have the operator's own names of disks.
    monthly: in the first digest of a month, the name of the month before and the availability of each service in it.
    """
    standing = {(each.key, each.concern): each for each in record.alerts if each.standing}
    names = _Words(seen or {}, now, zone)
    stands = sorted(
        (found for found in findings if (found.key, found.concern) in standing),
        key=lambda found: (-(standing[found.key, found.concern].priority or 0), str(found.key)),
    )
    full = _nearest(findings, Concern.FULL, now)
    due = _nearest(findings, Concern.OVERDUE, now)
    watched = _count(len({each.key for each in findings}), "measurement", "measurements")
    over, new = happened.lines(record, now, zone), happened.began_since(record)
    active = [
        names.standing(each, standing[each.key, each.concern], new=(each.key, each.concern) in new) for each in stands
    ]
    paragraphs = [
        f"Digest of {wording.clean(host, 60)}, {wording.instant(now, zone, now)}.",
        _part("Active alerts", active),
        _part(f"Happened since {wording.instant(record.since, zone, now)}, and ended", _cut(over)),
        _part("Next to fill", [names.line(each) for each in full]),
        _part("Overdue or due next", [names.line(each) for each in due]),
        *([_monthly(*monthly)] if monthly else []),
        f"{watched} monitored. Times are {wording.zone_name(now, zone)}.",
    ]
    # With both: after the clock was set back the same time comes again.
    thread = thread_id(
        host, "digest", due_at.isoformat(), now.isoformat(), record.since.isoformat(), *(monthly or ())[:1]
    )
    return of_no_alert(
        thread,
        host=host,
        kind=NotificationKind.DIGEST,
        key=SeriesKey("watchkeeper", "digest"),
        concern=Concern.OVERDUE,
        state=State.NORMAL,
        priority=None,
        at=now,
        headline=_headline(len(stands), len(over), full[0] if full else None, names),
        body="\n\n".join(paragraphs) + "\n",
    )


def _headline(standing: int, over: int, first: Finding | None, names: "_Words") -> str:
    said = _count(standing, "active alert", "active alerts") if standing else "no active alerts"
    said += f", {over} ended" if over else ""
    near = f"; next to fill: {names.fact(first)}" if first is not None else ""
    return wording.headed(f"digest: {said}{near}", LONGEST_HEADLINE)


def _nearest(findings: Iterable[Finding], concern: Concern, now: datetime) -> list[Finding]:
    """The findings of a concern whose time has passed or comes within FAR, the nearest first."""
    ends = [
        (found.ends_at, str(found.key), found)
        for found in findings
        if found.concern is concern and not found.early and found.ends_at is not None and found.ends_at - now < FAR
    ]
    return [found for *_, found in sorted(ends, key=lambda each: each[:2])][:MOST]


@dataclass(frozen=True, slots=True)
class _Words:
    """Puts findings into lines. seen: the newest observation of each series."""

    seen: Mapping[SeriesKey, Observation]
    now: datetime
    zone: tzinfo

    def standing(self, found: Finding, alert: Alert, *, new: bool) -> str:
        """`warning, new: service hide-hub not answering for 3 h, since Mon 30 Nov 07:12`."""
        known = ", acknowledged" if alert.state is State.ACKNOWLEDGED else ""
        raised_at = alert.raised_at
        since = f", alert since {wording.instant(raised_at, self.zone, self.now)}" if raised_at is not None else ""
        word = alert.priority.word if alert.priority else ""
        return f"{word}{', new' if new else ''}{known}: {self.line(found)}{since}"

    def line(self, found: Finding) -> str:
        """What is so, and when it ends."""
        when = f" ({wording.moment(found.ends_at, self.zone, self.now)})" if found.ends_at is not None else ""
        return f"{self.fact(found)}{when}"

    def fact(self, found: Finding) -> str:
        """`pool skerry full in about 3 days`."""
        name = wording.thing(found.key, seen=self.seen.get(found.key))
        return f"{name} {wording.time_left_phrase(found, self.now, self.zone)}"


def _monthly(month: str, lines: Sequence[str]) -> str:
    """Every service: what a month is asked for should not be cut."""
    return "\n".join([f"Availability in {month}:", *(f"  {wording.clean(each, 3 * COLUMNS)}" for each in lines)])


def _part(title: str, lines: Sequence[str]) -> str:
    shown = [wrapped(f"  {wording.clean(each, 4 * COLUMNS)}") for each in lines] or ["  none"]
    return "\n".join([f"{title}:", *shown])


def _cut(lines: Sequence[str]) -> Sequence[str]:
    more = [f"and {len(lines) - MOST_HAPPENED} more in `watchkeeper events`"] if len(lines) > MOST_HAPPENED else []
    return [*lines[:MOST_HAPPENED], *more]


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
