"""One event is one thing: what is shown beneath which cause, in whatever order it was sent."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

from tests.support import readstore
from tests.support.readstore import HOUR, NOW, ReadStoreDouble, carried
from watchkeeper.alerting.correlation.group_alerts import GROUP
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.observation import SeriesKey
from watchkeeper.web.dashboard.active_alert import ActiveAlert
from watchkeeper.web.dashboard.cause_tree import DependentsOf
from watchkeeper.web.dashboard.dashboard import Dashboard, build_dashboard

POOL = SeriesKey("pool skerry", "space")


def board_of(store: ReadStoreDouble, dependents_of: DependentsOf = carried) -> Dashboard:
    """The board over a store's state, with what the house's things depend on."""
    return build_dashboard(store.all_series, store.seen, store.found, store.raised, NOW, dependents_of)


def names(events: Sequence[ActiveAlert]) -> list[str]:
    """The subjects of events."""
    return [each.alert.key.subject for each in events]


def test_a_full_pool_is_one_event() -> None:
    """The pool once, full and suspended; its guests beneath it, and each service beneath its guest."""
    board = board_of(readstore.full())
    assert names(board.needing) == ["pool skerry", "file system /srv"]
    pool = board.needing[0]
    assert [str(each.alert.key) for each in pool.also] == ["pool skerry: health"]
    assert names(pool.consequences) == [f"guest {name}" for name in readstore.GUESTS]
    for guest in pool.consequences:
        assert names(guest.consequences) == [guest.alert.key.subject.replace("guest", "service")]
    assert len(list(pool.whole)) == 10


def test_what_was_sent_on_its_own_is_beneath_its_cause_too() -> None:
    """The alerts of the state are not suppressed by any other: the page groups them all the same."""
    store = readstore.full()
    assert all(alert.held_by is None for alert in store.raised)
    assert len(board_of(store, lambda _: ()).needing) == 10


def test_what_failed_long_before_is_no_consequence() -> None:
    """A guest that has been down since yesterday did not stop with the pool."""
    store = readstore.full()
    key = SeriesKey("guest tide-log", "state")
    began = NOW - 24 * HOUR
    store.raised[:] = [replace(a, raised_at=began) if a.key == key else a for a in store.raised]
    store.found[:] = [replace(f, since=began) if f.key == key and f.since else f for f in store.found]
    assert "guest tide-log" in names(board_of(store).needing)


def test_a_cause_may_be_seen_an_interval_late() -> None:
    """A pool that is looked at every half hour is seen to be full after its guests have stopped."""
    store = readstore.full()
    late = NOW - timedelta(minutes=2)
    store.found[:] = [
        replace(f, since=late) if f.key.subject == "pool skerry" and f.priority else f for f in store.found
    ]
    assert len(names(board_of(store).needing)) > 2
    store.all_series[:] = [replace(s, interval_s=1_800.0) for s in store.all_series]
    assert names(board_of(store).needing) == ["pool skerry", "file system /srv"]


def test_things_that_depend_on_each_other_end() -> None:
    """A mistake in the configuration hangs nothing: one of the two is the cause."""
    store = ReadStoreDouble()
    for name in ("one", "two"):
        made = store.answer(f"service {name}", None, "no answer", HOUR)
        store.alert(made.key, Concern.NOT_ANSWERING, Priority.ALARM, HOUR)
    other = {"service one": ["service two"], "service two": ["service one"]}
    (event,) = board_of(store, lambda subject: other[subject]).needing
    assert len(list(event.whole)) == 2


def test_a_summary_has_its_members_beneath_it() -> None:
    """Answers that were lost at the same time are suppressed by one alert, of which no probe knows."""
    store = ReadStoreDouble()
    for name in ("one", "two"):
        made = store.answer(f"service {name}", None, "no answer", HOUR)
        alert = store.alert(made.key, Concern.NOT_ANSWERING, Priority.ALARM, HOUR)
        store.raised[-1] = replace(alert, held_by=GROUP)
    store.raised.append(Alert(GROUP, Concern.NOT_ANSWERING, State.ACTIVE, Priority.ALARM, raised_at=NOW - HOUR))
    (event,) = board_of(store).needing
    assert event.alert.key == GROUP
    assert names(event.consequences) == ["service one", "service two"]


def test_missing_figures_of_what_is_down_belong_to_it() -> None:
    """A file system that is not mounted has no figures: one event."""
    store = ReadStoreDouble()
    mounted = store.condition("file system /srv", "mounted", "not mounted", HOUR)
    space = store.level("file system /srv", "space", 1.0, 2.0)
    store.alert(space.key, Concern.NOT_REPORTING, Priority.WARNING, HOUR)
    store.alert(mounted.key, Concern.FAULTY, Priority.ALARM, HOUR)
    (event,) = board_of(store).needing
    assert event.alert.key == mounted.key
    assert [a.alert.concern for a in event.also] == [Concern.NOT_REPORTING]


def test_an_acknowledged_cause_needs_nobody_for_what_it_suppresses() -> None:
    """But what was reported on its own before still does, until it is acknowledged too."""
    store = readstore.full()
    store.raised[:] = [replace(a, state=State.ACKNOWLEDGED) if a.key == POOL else a for a in store.raised]
    assert names(board_of(store).needing)[0] == "pool skerry"
    store.raised[:] = [replace(a, held_by=POOL) if a.key != POOL else a for a in store.raised]
    board = board_of(store)
    assert "pool skerry" not in names(board.needing)
    assert names(board.known) == ["pool skerry"]


def test_what_is_over_is_one_event_too() -> None:
    """After the repair there is one line to confirm, not one for each guest and service."""
    store = readstore.full()
    store.raised[:] = [
        replace(a, state=State.RECTIFIED, priority=None, ended_at=NOW - timedelta(minutes=1)) for a in store.raised
    ]
    board = board_of(store)
    assert board.needing == ()
    assert sorted(names(board.over)) == ["file system /srv", "pool skerry"]


def test_what_others_depend_on_comes_first() -> None:
    """Of the same priority, the pool that will stop its guests goes before a snapshot that is already late."""
    store = readstore.filling()
    assert names(board_of(store).needing)[:2] == ["pool skerry", "snapshots of nest-cams"]
    assert names(board_of(store, lambda _: ()).needing)[:2] == ["snapshots of nest-cams", "pool skerry"]


def test_a_priority_that_came_from_waiting_does_not_go_first() -> None:
    """A late snapshot that nobody acknowledged became an alarm; the pool is still what matters."""
    store = readstore.filling()
    store.raised[:] = [
        replace(a, priority=Priority.ALARM, escalated=True) if a.key.subject == "snapshots of nest-cams" else a
        for a in store.raised
    ]
    assert names(board_of(store).needing)[:2] == ["pool skerry", "snapshots of nest-cams"]


def test_the_event_of_an_alert() -> None:
    """Any alert of an event leads to it; an alert that does not exist leads nowhere."""
    board = board_of(readstore.full())
    event = board.event_of(SeriesKey("service hide-hub", "answer"), Concern.NOT_ANSWERING)
    assert event is not None
    assert event.alert.key == POOL
    assert event.open
    assert board.event_of(SeriesKey("service ringing-db", "certificate"), Concern.OVERDUE) is None
