"""The digest: active alerts, what is next to fill, what is overdue."""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from tests.support.messages import HOST, NOW, ZONE, episode, filling
from watchkeeper.messages.digest import MOST, MOST_HAPPENED, digest
from watchkeeper.messages.happened import Happened
from watchkeeper.messages.wording import time_left_phrase
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.history.availability import Outage
from watchkeeper.model.message import Message
from watchkeeper.model.observation import OWN_NAME, Level, SeriesKey, Unit

DAY = timedelta(days=1)


def level(name: str, days: float | None) -> Finding:
    """A pool that is full in so many days."""
    return replace(filling(NOW, days), key=SeriesKey(name, "space"))


def due(name: str, left: timedelta) -> Finding:
    """A snapshot that is due in so long."""
    return Finding(SeriesKey(f"snapshots of {name}", "age of the newest"), Concern.OVERDUE, NOW, None, NOW + left)


def made(findings: list[Finding], alerts: list[Alert], due_at: datetime = NOW, **record: Any) -> Message:
    """The digest of them, a day after the one before."""
    return digest(findings, Happened(NOW - DAY, alerts=alerts, **record), due_at, NOW, HOST, ZONE)


def test_without_active_alerts() -> None:
    """No alert is active; what is next to fill is listed anyway."""
    message = made([level("pool skerry", 40), level("pool reef", None), due("tide-log", DAY)], [])
    assert message.headline == "digest: no active alerts; next to fill: pool skerry full in about 40 days"
    assert message.body == (
        "Digest of gannet, Tue 24 Nov 10:12.\n\n"
        "Active alerts:\n  none\n\n"
        "Happened since Mon 23 Nov 10:12, and ended:\n  none\n\n"
        "Next to fill:\n  pool skerry full in about 40 days (Sun 3 Jan)\n\n"
        "Overdue or due next:\n  snapshots of tide-log due in 24 h (Wed 25 Nov 10:12)\n\n"
        "3 measurements monitored. Times are CET, now UTC+01:00.\n"
    ).replace("due in 24 h", "due in 1 day")
    assert (message.kind, message.priority, message.number) == (NotificationKind.DIGEST, None, 1)


def test_without_any_measurement() -> None:
    """Each part says that there is nothing."""
    message = made([], [])
    assert message.headline == "digest: no active alerts"
    assert message.body.count("  none") == 4


def test_active_alerts_come_with_their_priority_the_most_urgent_first() -> None:
    """An acknowledged alert says so; an ended one is left out."""
    stands = episode()[0].move.after
    other = replace(stands, key=SeriesKey("pool reef", "space"), priority=Priority.ALARM, state=State.ACKNOWLEDGED)
    over = replace(stands, key=SeriesKey("pool ebb", "space"), priority=None, state=State.RECTIFIED)
    message = made([filling(NOW, 3.2), level("pool reef", 0.5), level("pool ebb", 90)], [stands, other, over])
    assert message.headline.startswith("digest: 2 active alerts; next to fill: pool reef full in about 12 h")
    assert (
        "Active alerts:\n"
        "  alarm, new, acknowledged: pool reef full in about 12 h (Tue 24 Nov\n"
        "    22:12), alert since Tue 24 Nov 10:12\n"
        "  warning, new: pool skerry full in about 3 days (Fri 27 Nov), alert\n    since Tue 24 Nov 10:12\n\n"
    ) in message.body
    older = made([filling(NOW, 3.2)], [replace(stands, raised_at=NOW - 2 * DAY)])
    assert "  warning: pool skerry full in about 3 days (Fri 27 Nov), alert since\n    Sun 22 Nov 10:12\n" in older.body
    unknown = made([filling(NOW, 3.2)], [replace(stands, raised_at=None)])
    assert "  warning: pool skerry full in about 3 days (Fri 27 Nov)\n\n" in unknown.body


def test_much_is_cut_and_counted() -> None:
    """Five of what is next, the nearest first; the page has the rest. Active alerts are never cut."""
    message = made([level(f"pool {n}", 10 + n) for n in range(9)] + [level("pool far", 300)], [])
    part = message.body.split("\n\n")[3]
    assert part.splitlines()[1:] == [line for line in part.splitlines() if line.startswith("  pool")]
    assert [line.split()[1] for line in part.splitlines()[1:]] == [str(n) for n in range(MOST)]
    stands = [replace(episode()[0].move.after, key=SeriesKey(f"pool {n}", "space")) for n in range(9)]
    crowded = made([level(f"pool {n}", 10 + n) for n in range(9)], stands)
    assert crowded.body.split("\n\n")[1].count("warning, new: pool ") == 9


def test_what_happened_is_listed_to_a_bound() -> None:
    """Each service with its outage; the headline has their number."""
    began_s = (NOW - timedelta(hours=3)).timestamp()
    outages = {
        SeriesKey(f"service {n}", "answer"): (Outage(began_s + n, began_s + n + 60, 60.0),)
        for n in range(MOST_HAPPENED + 2)
    }
    message = made([], [], outages=outages)
    assert message.headline == f"digest: no active alerts, {MOST_HAPPENED + 2} ended"
    part = message.body.split("\n\n")[2]
    assert part.count(" did not answer: ") == MOST_HAPPENED
    assert part.endswith("  and 2 more in `watchkeeper events`")
    assert "  service 0 did not answer: Tue 24 Nov 07:12:00 to Tue 24 Nov 07:13:00,\n    60 s\n" in part


def test_two_digests_of_one_moment_have_two_ids() -> None:
    """A daily and a weekly one that are due together say different things."""
    daily, weekly = (digest([], Happened(NOW - days * DAY), NOW, NOW, HOST, ZONE) for days in (1, 7))
    monthly = digest([], Happened(NOW - DAY), NOW, NOW, HOST, ZONE, ("October 2026", ["x"]))
    assert len({daily.id, weekly.id, monthly.id}) == 3


def test_each_has_an_id_of_its_own() -> None:
    """The same for the same time, so that a digest that is made twice counts once."""
    assert made([], []).id == made([level("pool skerry", 3)], []).id
    assert made([], []).id != made([], [], NOW + DAY).id


def test_a_growth_of_minutes_has_no_date_in_it() -> None:
    """It is not next to fill, unless a rule believes it."""
    found = level("pool jetty", 2)
    assert found.forecast is not None
    now_s = found.forecast.at_s
    short = replace(found.forecast, since_s=now_s - 600, likely_s=now_s + 7_200)
    early = replace(found, forecast=short, priority=None)
    assert time_left_phrase(early, NOW, ZONE) == "growing; too early for a date"
    assert "pool jetty" not in made([early], []).body
    assert "pool jetty: full" in made([replace(early, priority=Priority.ALARM)], []).body.replace(" full", ": full")


def test_a_disk_has_the_name_that_the_operator_gave_it() -> None:
    """In the headline and in each line; a subject without one keeps its own."""
    disk = replace(level("disk Example S2R5NX0H", 3), key=SeriesKey("disk Example S2R5NX0H", "endurance"))
    named = Level(disk.key, 90, 100, Unit.COUNT, ((OWN_NAME, "upper bay"),))
    message = digest([disk, level("pool reef", 9)], Happened(NOW - DAY), NOW, NOW, HOST, ZONE, seen={disk.key: named})
    assert "next to fill: upper bay (disk Example S2R5NX0H)" in message.headline
    assert "  upper bay (disk Example S2R5NX0H)" in message.body
    assert "  pool reef full in about 9 days" in message.body
