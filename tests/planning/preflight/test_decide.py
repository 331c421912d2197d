"""Every point of a go or no-go, failing in turn."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.line import Line
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.host_state import GuestNow
from watchkeeper.planning.preflight.decide import (
    Answered,
    Copy,
    DiskSnapshots,
    Point,
    PreflightAnswer,
    Rewrites,
    Verdict,
    answer_points,
    backup_points,
    beneath_points,
    guest_point,
    room_point,
    silent_points,
    snapshot_point,
    time_point,
    watch_point,
)
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.planning.preflight.text import verdict
from watchkeeper.planning.reclaim.gain import Recorded, with_freed

GO, NO_GO, UNKNOWN = Verdict
NOW = datetime(2026, 12, 1, 20, 0, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
WEEK_S = 7 * 86_400.0
GIB = 2**30
POOL = SeriesKey("pool skerry", "space")
ABOUT = "guest hide-hub"


@pytest.mark.parametrize(("running", "verdict"), [(True, GO), (False, NO_GO), (None, UNKNOWN)])
def test_a_guest_runs(running: bool | None, verdict: Verdict) -> None:  # noqa: FBT001  a case
    """One that stands still cannot be seen to be well; one whose monitor is mute is not known."""
    point = guest_point(GuestNow("hide-hub", running))
    assert (point.matter, point.verdict, point.about) == (Matter.GUEST, verdict, ABOUT)


def disk(age: timedelta | None = HOUR, **more: Any) -> DiskSnapshots:
    """The disk of hide-hub with its newest snapshot, which may be a day old."""
    newest_at = None if age is None else NOW - age
    found = DiskSnapshots("/dev/zvol/skerry/hide-hub", "skerry/hide-hub", 86_400.0, "daily-1", newest_at)
    return replace(found, **more)


@pytest.mark.parametrize(
    ("found", "verdict", "reason"),
    [
        (disk(), GO, "daily-1 is 1 h old"),
        (disk(DAY), GO, "daily-1 is 1 day old"),
        (disk(2 * DAY), NO_GO, "the newest, daily-1 is 2 days old; the limit is 1 day"),
        (disk(None), NO_GO, "there is no snapshot of it"),
        (disk(None, listed=False), UNKNOWN, "the snapshots of its store cannot be listed"),
        (disk(where=""), UNKNOWN, "the store that it is on is not visible, nor are its snapshots"),
        (disk(-HOUR), GO, "daily-1 is 0 s old"),
    ],
)
def test_a_snapshot_of_each_disk(found: DiskSnapshots, verdict: Verdict, reason: str) -> None:
    """New enough, too old, none, not to be seen; one from a clock that was ahead counts as new."""
    point = snapshot_point(found, NOW)
    assert (point.verdict, point.reason) == (verdict, reason)


GOOD = Copy("nightly", NOW - 12 * HOUR, NOW + 14 * HOUR)


@pytest.mark.parametrize(
    ("copy", "reason"),
    [
        (
            replace(GOOD, shares="pool skerry"),
            "it is on pool skerry, and so is a disk of the guest: both are lost together",
        ),
        (replace(GOOD, last_at=None), "it has never been made"),
        (replace(GOOD, due_at=NOW - HOUR), "the newest is 12 h old, and was due 1 h ago"),
        (
            replace(GOOD, trouble="it says that it failed: no room"),
            "it says that it failed: no room; the last good one is",
        ),
    ],
)
def test_a_backup_that_is_none(copy: Copy, reason: str) -> None:
    """Beside the disk, never made, overdue, failed."""
    (point,) = backup_points([copy], ABOUT, NOW)
    assert point.verdict is NO_GO
    assert point.reason.startswith(reason)
    assert point.passes is not bool(copy.shares)


def test_one_good_backup_is_enough() -> None:
    """The others are not spoken of then; with none at all it is said that a snapshot on the same store is none."""
    bad = replace(GOOD, name="monthly", last_at=None)
    assert [(p.about, p.verdict) for p in backup_points([bad, GOOD], ABOUT, NOW)] == [("nightly", GO)]
    assert [p.verdict for p in backup_points([replace(GOOD, due_at=None)], ABOUT, NOW)] == [GO]
    (none,) = backup_points([], ABOUT, NOW)
    assert (none.verdict, none.about) == (NO_GO, ABOUT)
    assert "A snapshot on the same store is not a backup" in none.reason


@pytest.mark.parametrize(
    ("free", "per_day", "most", "at_once", "verdict", "part"),
    [
        # 2 GiB a day for 7 days are 14 GiB; the disk of 32 GiB could hold more.
        (20, 2.0, 32, 0, GO, "a snapshot holds at most 14 GiB after 7 days; 20 GiB are free"),
        (10, 2.0, 32, 0, NO_GO, "a snapshot may hold 14 GiB after 7 days, and only 10 GiB are free"),
        # 10 GiB a day would be 70 GiB, but there are no more than 32 GiB to rewrite.
        (40, 10.0, 32, 0, GO, "holds at most 32 GiB"),
        (30, 10.0, 32, 0, NO_GO, "may hold 32 GiB"),
        # Nobody knows the pace: it is safe only where all of the disk could be rewritten.
        (40, None, 32, 0, GO, "holds at most 32 GiB"),
        (30, None, 32, 0, UNKNOWN, "up to 32 GiB may be rewritten, and only 30 GiB are free"),
        (30, None, None, 0, UNKNOWN, "its write rate is not known yet"),
        # A reserved volume that holds 24 GiB needs as much again when the snapshot is taken.
        (20, 1.0, 32, 24, NO_GO, "a snapshot of its reserved volumes needs 24 GiB at once, and only 20 GiB are free"),
        (25, 1.0, 32, 24, GO, "holds at most 24 GiB"),
    ],
)
def test_room_for_what_a_snapshot_will_hold(
    free: float, per_day: float | None, most: float | None, at_once: float, verdict: Verdict, part: str
) -> None:
    """Worked by hand, in GiB: the smaller of pace and size, and no less than what is needed at once."""
    found = Rewrites(
        POOL,
        free * GIB,
        None if per_day is None else per_day * GIB,
        None if most is None else most * GIB,
        at_once * GIB,
    )
    point = room_point(found, WEEK_S)
    assert point.verdict is verdict
    assert part in point.reason


def grown(per_day: float, left: float, days: int = 30, noise: float = 0.0) -> Recorded:
    """A pool of 1,000 GiB that has grown by so much a day, and has so much left; hourly."""
    at_s = NOW.timestamp() - np.arange(days * 24, -1, -1.0) * 3600
    chance = np.random.default_rng(7)
    used = 1000 - left - (NOW.timestamp() - at_s) / 86_400 * per_day + noise * chance.standard_normal(len(at_s))
    return Recorded(at_s, used * GIB, np.full(len(at_s), 1000.0 * GIB))


@pytest.mark.parametrize(
    ("recorded", "held", "verdict"),
    [
        (grown(10, 100), 0, GO),  # 10 days are left, the snapshot is kept for 7
        (grown(10, 60), 0, NO_GO),  # 6 days
        (grown(10, 100), 50, NO_GO),  # 10 days, but 5 once the snapshot holds 50 GiB
        (grown(0, 100), 50, GO),  # it stands still
        (grown(0.001, 900), 0, GO),  # years away
        (grown(0, 500, noise=5.0), 0, GO),  # it goes up and down and gets nowhere
    ],
)
def test_the_time_while_a_snapshot_is_kept(recorded: Recorded, held: float, verdict: Verdict) -> None:
    """Worked by hand on straight growth: what is left less what the snapshot holds, by the growth a day."""
    point = time_point(POOL, with_freed(recorded, -held * GIB, NOW.timestamp()), WEEK_S, held * GIB)
    assert point.verdict is verdict


def test_a_store_that_is_full_already_is_told_as_that() -> None:
    """What the snapshot would hold takes all that is left: there is no time to tell."""
    recorded = with_freed(grown(10, 100), -100 * GIB, NOW.timestamp())
    assert "it may be full now with a snapshot of 100 GiB" in time_point(POOL, recorded, WEEK_S, 100 * GIB).reason


def test_a_growth_that_is_not_known() -> None:
    """Nothing is recorded; too uncertain, and steep enough at worst or not; without a line it may be anything."""
    assert time_point(POOL, None, WEEK_S, 0).verdict is UNKNOWN
    few = Forecast(0.0, 1.0, 2.0, no_end=NoEnd.TOO_FEW)
    assert time_point(POOL, few, WEEK_S, 0).verdict is UNKNOWN
    line = Line(0.0, 50.0, 0.0, 1.0 / WEEK_S, 1.0, 100)
    flat = Forecast(0.0, 50.0, 100.0, no_end=NoEnd.UNCERTAIN, line=line)
    assert time_point(POOL, flat, WEEK_S, 0).verdict is GO
    steep = replace(flat, line=replace(line, slope_error=40.0 / WEEK_S))
    assert time_point(POOL, steep, WEEK_S, 0).verdict is NO_GO
    assert time_point(POOL, replace(flat, line=None), WEEK_S, 0).verdict is NO_GO


def alert(key: SeriesKey = POOL, **more: Any) -> Alert:
    """An alert that stands."""
    found = Alert(key, Concern.FAULTY, State.ACTIVE, Priority.WARNING, raised_at=NOW - HOUR)
    return replace(found, **more)


def test_what_is_active_beneath() -> None:
    """Each alert is a point; one that was set aside stands all the same; without any, what was looked at is named."""
    found = [alert(), alert(SeriesKey("memory", "pressure"), shelved_until=NOW + HOUR, priority=None)]
    points = list(beneath_points(found, ["pool skerry", "memory"], NOW))
    assert [(p.verdict, p.reason) for p in points] == [
        (NO_GO, "warning: faulty"),
        (NO_GO, "alert: faulty, shelved by you"),
    ]
    (fine,) = beneath_points([], ["pool skerry", "memory"], NOW)
    assert (fine.verdict, fine.about) == (GO, "pool skerry, memory")
    (many,) = beneath_points([], [f"disk {n}" for n in range(9)], NOW)
    assert many.about.endswith("disk 5 and 3 more")


def test_what_is_not_seen_any_more() -> None:
    """No alert there means nothing; a name of any bytes is made fit to print."""
    (point,) = silent_points({"pool sker\x1bry": NOW - HOUR}, NOW)
    assert (point.verdict, point.matter) == (UNKNOWN, Matter.STORAGE_BELOW)
    assert "\x1b" not in point.about
    assert point.reason.startswith("cannot tell: no reading for 1 h")


def test_services_answer_now() -> None:
    """Answered, silent, not to be asked; and a subject without any is not known to be well."""
    key = SeriesKey("service hide-hub", "answer")
    asked = [
        Answered(key, True, took_s=0.04),
        Answered(key, True),
        Answered(key, False, "refused"),
        Answered(key, None),
    ]
    points = list(answer_points(asked, ABOUT))
    assert [p.verdict for p in points] == [GO, GO, NO_GO, UNKNOWN]
    assert [p.reason for p in points][:3] == ["answers in 40 ms", "answers", "not answering: refused"]
    (none,) = answer_points([], ABOUT)
    assert none.verdict is UNKNOWN


@pytest.mark.parametrize(
    ("age", "verdict"), [(timedelta(minutes=2), GO), (timedelta(minutes=4), NO_GO), (None, NO_GO), (-HOUR, GO)]
)
def test_the_watch_is_awake(age: timedelta | None, verdict: Verdict) -> None:
    """Where no sample comes, that no alert stands means nothing."""
    assert watch_point(None if age is None else NOW - age, 180.0, NOW).verdict is verdict


def test_all_together() -> None:
    """Go needs every point; it is worth waiting where all that hinders may pass."""
    fine = Point(Matter.GUEST, GO, ABOUT, "it runs")
    passes = Point(Matter.ANSWERS, NO_GO, "service", "no answer", passes=True)
    stays = Point(Matter.BACKUP, UNKNOWN, ABOUT, "none")
    answer = PreflightAnswer(ABOUT, NOW, (fine,))
    assert (answer.go, answer.worth_waiting, answer.hindrances) == (True, False, ())
    waiting = replace(answer, points=(fine, passes))
    assert (waiting.go, waiting.worth_waiting, waiting.hindrances) == (False, True, (passes,))
    assert not replace(answer, points=(fine, passes, stays)).worth_waiting


@pytest.mark.parametrize(
    ("unseen", "words"),
    [
        ((), "can be changed now."),
        (("pool skerry: no probe covers it",), "can be changed now, except for what cannot be seen: 1 thing."),
        (
            ("pool skerry: no probe", "LVM: this needs root"),
            "can be changed now, except for what cannot be seen: 2 things.",
        ),
    ],
)
def test_a_go_says_what_it_does_not_cover(unseen: tuple[str, ...], words: str) -> None:
    """The list is below the answer; a no-go does not need the count."""
    fine, wrong = (Point(Matter.GUEST, each, ABOUT, "it runs") for each in (GO, NO_GO))
    assert verdict(PreflightAnswer(ABOUT, NOW, (fine,), unseen), UTC) == f"Go: {ABOUT} {words}"
    assert "except" not in verdict(PreflightAnswer(ABOUT, NOW, (wrong,), unseen), UTC)
