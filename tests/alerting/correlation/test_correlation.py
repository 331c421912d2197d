"""Alerts that belong together: who is told of, and who is held."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta

import pytest

from watchkeeper.alerting import state_machine
from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.correlation.correlation import Correlation, is_down
from watchkeeper.alerting.correlation.dependencies import Dependencies
from watchkeeper.alerting.correlation.group_alerts import FLOOD, GROUP, Flood, Limits, named
from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.alerting.rules import NotAnsweringRule, Rules
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey

START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
POOL, GUEST = SeriesKey("pool skerry", "health"), SeriesKey("guest hide-hub", "state")
HUB, DB, CAMS = (SeriesKey(f"service {name}", "answer") for name in ("hide-hub", "ringing-db", "nest-cams"))
ROUTER = SeriesKey("host router", "answer")
AFTER_A_MINUTE = Rules(not_answering=NotAnsweringRule(warning_s=60.0))
"""The shortest silence that is told here: the tests' times count from it."""


class Street:
    """Series under watch, each looked at every minute, judged every 15 s; keeps what is told."""

    def __init__(self, depends_on: Mapping[str, Sequence[str]] | None = None, rules: Rules = AFTER_A_MINUTE) -> None:
        self.book, self.down_since, self.now, self.rules = AlertBook(), dict[SeriesKey, datetime](), START, rules
        self.correlation = Correlation(self.book, self.down_since, Dependencies(depends_on))
        self.other_rules: dict[SeriesKey, Rules] = {}
        self.watch: dict[SeriesKey, SeriesEvaluator] = {}
        self.state: dict[SeriesKey, Observation] = {}
        self.told: list[tuple[str, NotificationKind | None]] = []
        self.reasons: list[str] = []

    def put(self, *seen: Observation) -> None:
        """From now on this is how these are."""
        self.state |= {each.key: each for each in seen}

    def up(self, *keys: SeriesKey) -> None:
        self.put(*(_seen(key, well=True) for key in keys))

    def down(self, *keys: SeriesKey) -> None:
        self.put(*(_seen(key, well=False) for key in keys))

    def live(self, minutes: float) -> None:
        """Let minutes pass: at each full one every probe looks, every 15 s all is judged."""
        for tick in range(round(minutes * 4)):
            self.now += timedelta(seconds=15)
            for seen in self.state.values() if tick % 4 == 3 else ():
                self._look(seen)
            self.judge()

    def _look(self, seen: Observation) -> None:
        key, rules = seen.key, self.other_rules.get(seen.key, self.rules)
        evaluator = self.watch.setdefault(key, SeriesEvaluator(key, seen.kind, 60.0, rules, self.book))
        evaluator.take(seen, self.now)
        self.correlation.dependencies.place(key.subject, key.subject.partition(" ")[2])
        if is_down(seen):
            self.down_since.setdefault(key, self.now)
        else:
            self.down_since.pop(key, None)

    def judge(self) -> None:
        for evaluator in self.watch.values():
            for found in evaluator.evaluate(self.now):
                for move in self.correlation.step(found, self.now, evaluator.rules.delays(found.concern)):
                    self._note(move.after, move.notification)
        for finding, moves in self.correlation.settle(self.now):
            for move in moves:
                self._note(move.after, move.notification)
                self.reasons.append(finding.reason)
        self.correlation.summed_up(self.now)

    def _note(self, alert: Alert, telling: NotificationKind | None) -> None:
        if telling is not None:
            self.told.append((alert.key.subject, telling))

    def alert(self, key: SeriesKey) -> Alert:
        return self.watch[key].alerts[0]

    @property
    def flood(self) -> Alert:
        """The alert that stands for a flood."""
        return self.book.get(FLOOD, Concern.FAULTY)


def _seen(key: SeriesKey, *, well: bool) -> Observation:
    if key.quantity == "answer":
        return Answer(key, answered=well, reason="" if well else "connection refused")
    return Condition(key, ok=well, reason="" if well else "suspended", grave=not well)


def station(depends_on: Mapping[str, Sequence[str]] | None = None) -> Street:
    """The pool, a guest on it and its service, all well."""
    street = Street({"hide-hub": ("pool skerry",), **(depends_on or {})})
    street.up(POOL, GUEST, HUB)
    street.live(2)
    return street


def test_a_cause_is_told_and_its_consequences_are_held_beneath_it() -> None:
    """A pool is suspended, its guest stops, the guest's service is silent: one message."""
    street = station()
    street.down(POOL, GUEST, HUB)
    street.live(30)
    assert street.told == [("pool skerry", NotificationKind.RAISED)]
    assert [street.alert(key).held_by for key in (POOL, GUEST, HUB)] == [None, POOL, POOL]
    assert street.alert(HUB).state is State.ACTIVE
    assert street.correlation.dependencies.dependents_of("pool skerry") == ("guest hide-hub", "service hide-hub")


def test_an_agent_that_is_gone_suppresses_no_service_in_its_guest() -> None:
    """A service in a guest works without the guest's agent; a guest whose state is faulty carries its services."""
    agent, service = SeriesKey("guest hide-hub", "agent"), SeriesKey("service hide-hub", "answer")
    assert not is_down(Answer(agent, answered=False, reason="no agent runs in the guest"))
    assert is_down(Answer(service, answered=False, reason="connection refused"))
    assert is_down(Condition(SeriesKey("guest hide-hub", "state"), ok=False, reason="it is paused"))


@pytest.mark.parametrize("acknowledged", [True, False])
def test_the_end_of_a_consequence_is_not_sent_either(acknowledged: bool) -> None:  # noqa: FBT001
    """The operator acknowledges the pool with all that stopped with it: its end is one message too, and what happens
    next is a new alert with messages of its own.
    """
    street = station()
    street.down(POOL, GUEST, HUB)
    street.live(30)
    for key in (POOL, GUEST, HUB) if acknowledged else ():
        move = state_machine.acknowledge(street.alert(key), street.now)
        assert move is not None
        street.book.put(move.after)
    street.up(POOL, GUEST, HUB)
    street.live(240)
    assert street.told == [("pool skerry", NotificationKind.RAISED), ("pool skerry", NotificationKind.ENDED)]
    assert street.alert(GUEST).at_rest
    street.down(GUEST)
    street.live(30)
    assert street.told[2:] == [("guest hide-hub", NotificationKind.RAISED)]


def test_what_was_sent_before_its_cause_belongs_to_it() -> None:
    """The guest was reported, then the pool is seen to be suspended: its message can name the guest. What failed an
    hour before the pool does not belong to it, and neither does what is suppressed by it.
    """
    street = station({"nest-cams": ("pool skerry",)})
    street.up(CAMS)
    street.down(CAMS)
    street.live(60)
    street.down(GUEST)
    street.live(5)
    street.down(POOL)
    street.live(1)
    street.down(HUB)
    street.live(10)
    pool = street.alert(POOL)
    assert street.correlation.sent_before(pool, late_s=300.0) == ("guest hide-hub",)
    assert street.correlation.sent_before(Alert(SeriesKey("pool jetty", "health"), Concern.FAULTY), 300.0) == ()


def test_what_a_missing_mount_no_longer_reports_follows_from_it() -> None:
    """A file system that is not mounted has no figures: one message, and none about each quantity that is missing."""
    mounted, answers, space = (SeriesKey("file system /srv", name) for name in ("mounted", "answers", "space"))
    street = station()
    street.up(mounted, answers)
    street.put(Level(space, 10.0, 100.0))
    street.live(5)
    street.down(mounted)
    del street.state[answers], street.state[space]
    street.live(60)
    assert street.told == [("file system /srv", NotificationKind.RAISED)]
    assert street.book.get(space, Concern.NOT_REPORTING).held_by == mounted
    street.up(mounted, answers)
    street.put(Level(space, 10.0, 100.0))
    street.live(30)
    assert street.told[1:] == [("file system /srv", NotificationKind.ENDED)]


def test_what_stops_reporting_beside_a_fault_is_reported() -> None:
    """A file system that is read-only still has figures: if they stop, that is another fault."""
    writable, space = (SeriesKey("file system /srv", name) for name in ("recorded errors", "space"))
    street = station()
    street.put(Condition(writable, ok=False, reason="it has recorded 1 error"), Level(space, 10.0, 100.0))
    street.live(5)
    del street.state[space]
    street.live(60)
    assert street.told == [("file system /srv", NotificationKind.RAISED)] * 2


def test_with_the_cause_the_consequences_end_and_nothing_is_told_of_them() -> None:
    """All well again within the settling time: the end of the cause is all there is to say."""
    street = station()
    street.down(POOL, GUEST, HUB)
    street.live(30)
    street.up(POOL, GUEST)
    street.live(3)
    street.up(HUB)
    street.live(30)
    assert street.told == [("pool skerry", NotificationKind.RAISED), ("pool skerry", NotificationKind.ENDED)]
    assert (street.alert(HUB).state, street.alert(HUB).held_by) == (State.NORMAL, None)


def test_what_outlives_its_cause_is_told_once_that_has_settled() -> None:
    """The pool is back and the service is not, five minutes later: it is told then, and its end as ever."""
    street = station()
    street.down(POOL, GUEST, HUB)
    street.live(30)
    street.up(POOL, GUEST)
    street.live(Limits().settle_s / 60)
    assert ("service hide-hub", NotificationKind.RAISED) not in street.told
    street.live(1.5)
    assert street.told[-1] == ("service hide-hub", NotificationKind.RAISED)
    street.up(HUB)
    street.live(2)
    assert street.told[-1] == ("service hide-hub", NotificationKind.ENDED)


def test_a_cause_that_comes_back_while_it_settles_holds_on() -> None:
    """A guest that starts, stops and starts again is still why its service is silent."""
    street = station()
    street.down(GUEST, HUB)
    street.live(10)
    street.up(GUEST)
    street.live(3)
    street.down(GUEST)
    street.live(30)
    assert [subject for subject, _ in street.told] == ["guest hide-hub"] * 3
    assert street.alert(HUB).held_by == GUEST


def test_a_consequence_that_is_seen_before_its_cause_waits_for_it() -> None:
    """The service's alert comes due first; the guest has been seen down, so it is waited for."""
    street = station()
    street.down(HUB)
    street.live(1)
    street.down(GUEST)
    street.live(10)
    assert street.told == [("guest hide-hub", NotificationKind.RAISED)]


def test_a_doubt_that_comes_to_nothing_is_told_within_two_looks() -> None:
    """What depends on a thing that is down, but whose own alert is switched off, is reported all the same."""
    street = Street({"hide-hub": ("router",)})
    street.other_rules[ROUTER] = Rules(not_answering=NotAnsweringRule(caution_s=None, warning_s=None, alarm_s=None))
    street.up(HUB, ROUTER)
    street.live(1)
    street.down(HUB, ROUTER)
    street.live(2)
    assert street.told == []
    street.live(3)
    assert street.told == [("service hide-hub", NotificationKind.RAISED)]


def test_a_lost_echo_delays_the_alert_by_no_more_than_a_look() -> None:
    """The router missed one echo at the wrong moment and is back: it is not why the service is silent."""
    street = Street({"hide-hub": ("router",)})
    street.up(HUB, ROUTER)
    street.live(1)
    street.down(HUB)
    street.live(1)
    street.down(ROUTER)
    street.live(1)
    street.up(ROUTER)
    street.live(1)
    assert street.told == [("service hide-hub", NotificationKind.RAISED)]


def test_a_pool_that_is_only_impaired_is_no_cause() -> None:
    """One of two disks failed: the guests run on, so a service that is silent has another reason."""
    street = station()
    street.put(Condition(POOL, ok=False, reason="one of two disks failed"))
    street.down(HUB)
    street.live(5)
    assert street.told == [("pool skerry", NotificationKind.RAISED), ("service hide-hub", NotificationKind.RAISED)]


def test_a_pool_that_is_full_is_a_cause_and_its_forecast_is_none() -> None:
    """Full is when nothing can be written; of a part, and of what may be full, nothing is concluded."""
    space = SeriesKey("pool skerry", "space")
    for used, held in ((99.0, False), (100.0, True)):
        street = station()
        street.put(Level(space, used, 100.0))
        street.live(5)
        street.down(GUEST)
        street.live(5)
        assert (street.alert(GUEST).held_by == space) is held
    street = station()
    street.put(Level(space, 100.0, 100.0, not_judged=True), Deadline(SeriesKey("x", "scrub"), START))
    street.live(1)
    street.down(GUEST)
    street.live(5)
    assert street.alert(GUEST).held_by is None


def test_a_level_that_fills_is_held_by_nothing() -> None:
    """Whatever else is wrong: room runs out."""
    space = SeriesKey("file system /srv", "space")
    street = Street({"/srv": ("pool skerry",), "system /srv": ("pool skerry",)})
    street.up(POOL)
    street.down(POOL)
    street.put(Level(space, 50, 50))
    street.live(20)
    assert street.alert(space).held_by is None


SPACE = SeriesKey("file system /srv", "space")


def filling(used_at_the_end: float = 100.0) -> Street:
    """A file system with a guest's image on it that filled within hours and was reported before it was full."""
    street = Street({"hide-hub": ("file system /srv",)})
    street.up(GUEST)
    for minute in range(180):
        street.put(Level(SPACE, 60.0 + minute * 0.2, 100.0))
        street.live(1)
    assert street.told
    street.told.clear()
    street.put(Level(SPACE, used_at_the_end, 100.0))
    return street


def test_full_is_news_though_an_alarm_foretold_it() -> None:
    """The guests that stop with it are not reported apart: without this, nothing would say that they stopped."""
    street = filling()
    acknowledged = state_machine.acknowledge(street.alert(SPACE), street.now)
    assert acknowledged is not None
    street.book.put(acknowledged.after)
    street.live(1)
    street.down(GUEST)
    street.live(60)
    assert street.told == [("file system /srv", NotificationKind.WORSE)]
    assert (street.alert(SPACE).state, street.alert(SPACE).priority) == (State.ACTIVE, Priority.ALARM)
    assert street.alert(GUEST).held_by == SPACE


def test_nearly_full_is_no_news() -> None:
    """Only when nothing can be written any more."""
    street = filling(99.0)
    street.live(30)
    assert street.told == []


def test_full_is_reported_once_however_often_it_is_so() -> None:
    """A level that hovers at its capacity is one thing, until the alert has eased or ended."""
    street = filling()
    for used in (100.0, 99.9, 100.0, 99.9, 100.0):
        street.put(Level(SPACE, used, 100.0))
        street.live(2)
    assert street.told == [("file system /srv", NotificationKind.WORSE)]


def test_full_is_not_reported_beside_a_fault_that_says_so() -> None:
    """A pool that is suspended because it is full: one message about the pool."""
    street = filling()
    street.down(SeriesKey("file system /srv", "writable"))
    street.live(30)
    assert street.told == [("file system /srv", NotificationKind.RAISED)]
    assert street.book.get(SeriesKey("file system /srv", "writable"), Concern.FAULTY).standing


def test_full_while_it_is_shelved_is_sent_afterwards() -> None:
    """A shelved alert sends nothing; when that is over, the operator does not know it yet."""
    street = filling()
    street.book.put(state_machine.shelve(street.alert(SPACE), street.now, street.now + timedelta(minutes=10)).after)
    street.live(9)
    assert street.told == []
    street.live(3)
    assert street.told == [("file system /srv", NotificationKind.WORSE)]


def test_a_cause_is_as_urgent_as_what_it_holds() -> None:
    """Who wants to hear of alarms alone must hear that something stopped; it eases with its consequence."""
    street = station()
    street.put(Condition(GUEST, ok=False, reason="it is paused"))
    street.live(1)
    assert street.alert(GUEST).priority is Priority.WARNING
    street.down(HUB)
    street.live(70)
    assert street.alert(HUB).priority is Priority.ALARM
    assert street.told == [("guest hide-hub", NotificationKind.RAISED), ("guest hide-hub", NotificationKind.WORSE)]
    street.up(HUB)
    street.live(2)
    assert street.told[-1] == ("guest hide-hub", NotificationKind.EASED)


def test_two_that_rest_on_each_other_are_not_both_held() -> None:
    """A circle of ties silences nothing: one of them is told."""
    street = Street({"hide-hub": ("service ringing-db",), "ringing-db": ("service hide-hub",)})
    street.up(HUB, DB)
    street.live(1)
    street.down(HUB)
    street.live(1)
    street.down(DB)
    street.live(30)
    assert [telling for _, telling in street.told][:1] == [NotificationKind.RAISED]
    assert {street.alert(HUB).held_by, street.alert(DB).held_by} in ({None, HUB}, {None, DB})


def test_what_was_told_before_its_cause_is_ended_after_it() -> None:
    """It was told by itself; the cause came on top of it; its end waits until that is over, and is told then."""
    street = station()
    street.down(HUB)
    street.live(5)
    street.down(GUEST)
    street.live(70)  # the service's alarm is held: the guest is down
    assert street.told == [
        ("service hide-hub", NotificationKind.RAISED),
        ("guest hide-hub", NotificationKind.RAISED),
    ]
    assert street.alert(HUB).held_by == GUEST
    street.up(GUEST, HUB)
    street.live(10)
    assert street.told[2:] == [("guest hide-hub", NotificationKind.ENDED), ("service hide-hub", NotificationKind.ENDED)]


@pytest.mark.parametrize("told_after_s", [60.0, 180.0, 900.0])
def test_answers_that_are_lost_at_once_are_told_as_one(told_after_s: float) -> None:
    """Three services within one look: one alert about all, with their names, which ends when they answer again."""
    street = Street(rules=Rules(not_answering=NotAnsweringRule(warning_s=told_after_s)))
    street.up(HUB, DB, CAMS)
    street.live(2)
    street.down(HUB, DB, CAMS)
    street.live(20)
    assert street.told == [(GROUP.subject, NotificationKind.RAISED)]
    assert street.reasons == ["hide-hub, ringing-db, nest-cams"]
    street.up(HUB, DB, CAMS)
    street.live(10)
    assert street.told[1:] == [(GROUP.subject, NotificationKind.ENDED)]
    assert street.reasons[-1] == "answering again: hide-hub, ringing-db, nest-cams"
    assert street.alert(CAMS).state is State.NORMAL


@pytest.mark.parametrize("told_after_s", [60.0, 180.0, 900.0])
def test_answers_that_are_lost_one_look_apart_are_told_as_one(told_after_s: float) -> None:
    """The first one waits for the second, which has begun to fail."""
    street = Street(rules=Rules(not_answering=NotAnsweringRule(warning_s=told_after_s)))
    street.up(HUB, DB)
    street.live(2)
    street.down(HUB)
    street.live(1)
    street.down(DB)
    street.live(20)
    assert street.told == [(GROUP.subject, NotificationKind.RAISED)]


def test_an_answer_that_is_lost_alone_is_told_at_once_and_alone() -> None:
    """There is nothing to wait for; and another one an hour later is news of its own."""
    street = Street()
    street.up(HUB, DB, CAMS)
    street.live(2)
    street.down(HUB)
    street.live(2.25)
    assert street.told == [("service hide-hub", NotificationKind.RAISED)]
    street.live(30)
    street.down(DB)
    street.live(3)
    assert street.told[-1] == ("service ringing-db", NotificationKind.RAISED)


def test_one_that_begins_to_fail_and_recovers_costs_the_other_no_more_than_a_look() -> None:
    """The first waited for the second; that answers again: the first is told by itself."""
    street = Street()
    street.up(HUB, DB)
    street.live(2)
    street.down(HUB)
    street.live(1)
    street.down(DB)
    street.live(1)
    street.up(DB)
    street.live(1)
    assert street.told == [("service hide-hub", NotificationKind.RAISED)]


def test_one_that_joins_late_is_told_by_itself_while_the_others_are_still_silent() -> None:
    """An hour into an outage another service stops: the group's message does not cover it."""
    street = Street()
    street.up(HUB, DB, CAMS)
    street.live(2)
    street.down(HUB, DB)
    street.live(30)
    street.down(CAMS)
    street.live(5)
    assert street.told == [(GROUP.subject, NotificationKind.RAISED), ("service nest-cams", NotificationKind.RAISED)]


@pytest.mark.parametrize("told_after_s", [60.0, 180.0, 900.0])
def test_one_that_joins_within_the_minute_is_part_of_it(told_after_s: float) -> None:
    """A third one, just behind, makes no second message."""
    street = Street(rules=Rules(not_answering=NotAnsweringRule(warning_s=told_after_s)))
    street.up(HUB, DB, CAMS)
    street.live(2)
    street.down(HUB, DB)
    street.live(1)
    street.down(CAMS)
    street.live(20)
    assert street.told == [(GROUP.subject, NotificationKind.RAISED)]
    assert street.alert(CAMS).held_by == GROUP


def test_the_last_one_of_several_is_told_by_itself() -> None:
    """All but one answer again: the group is over, and who is still silent is named."""
    street = Street()
    street.up(HUB, DB, CAMS)
    street.live(2)
    street.down(HUB, DB, CAMS)
    street.live(10)
    street.up(HUB, DB)
    street.live(10)
    assert street.told == [
        (GROUP.subject, NotificationKind.RAISED),
        (GROUP.subject, NotificationKind.ENDED),
        ("service nest-cams", NotificationKind.RAISED),
    ]


def flood(count: int = 14) -> tuple[Street, list[SeriesKey]]:
    """So many units fail, two a minute."""
    street, keys = Street(), [SeriesKey(f"unit u{n}", "result") for n in range(count)]
    street.up(*keys)
    street.live(1)
    for first, second in zip(keys[::2], keys[1::2], strict=True):
        street.down(first, second)
        street.live(1)
    return street, keys


def test_the_tenth_alert_in_ten_minutes_begins_a_flood_which_is_told_as_one() -> None:
    """EEMUA 191: nine by themselves, then a summary and no more; its end names what still stands."""
    street, keys = flood()
    assert [telling for subject, telling in street.told if subject.startswith("unit")] == [NotificationKind.RAISED] * 9
    assert [told for told in street.told if told[0] == FLOOD.subject] == [(FLOOD.subject, NotificationKind.RAISED)]
    assert street.reasons[0].startswith("10 in 10 min; most urgent: unit u9 (alarm)")
    street.live(15)
    assert street.told[10:] == [(FLOOD.subject, NotificationKind.ENDED)]
    assert street.reasons[-1].startswith(
        "at a normal rate again after 14 alerts; still active: unit u9 (alarm), unit u10 (alarm)"
    )
    assert all(street.alert(key).held_by is None and street.alert(key).notified_priority for key in keys)


def test_after_a_flood_the_ends_of_what_it_told_of_are_told() -> None:
    """The operator read of it in the summary, so they hear of its end."""
    street, keys = flood()
    street.live(15)
    street.up(keys[-1])
    street.live(2)
    assert street.told[-1] == ("unit u13", NotificationKind.ENDED)


def test_what_came_and_went_within_a_flood_is_told_by_its_count_alone() -> None:
    """Nothing is left of it, and nothing is owed."""
    street, keys = flood()
    street.up(*keys)
    street.live(15)
    told = [told for told in street.told[10:] if told[0] != FLOOD.subject]
    assert {telling for _, telling in told} <= {NotificationKind.ENDED}
    assert street.reasons[-1] == "at a normal rate again after 14 alerts; none is active"


def test_a_flood_goes_on_while_five_come_in_ten_minutes() -> None:
    """It has ended below five in ten minutes, not before; a more urgent alert makes it worse."""
    street, keys = flood(10)
    assert street.flood.standing
    street.live(3)
    street.put(*(Condition(key, ok=False, reason="failed", grave=True) for key in keys[:1]))
    assert street.flood.priority is Priority.ALARM
    street.live(3)
    assert street.flood.standing


def test_nine_alerts_are_no_flood() -> None:
    """The line is the standard's."""
    street, _ = flood(8)
    assert len(street.told) == 8
    assert not street.flood.standing


def test_a_second_flood_holds_its_own_until_it_ends() -> None:
    """What the first one summed up is over; what the second one holds is not told meanwhile."""
    street, keys = flood()
    street.up(*keys)
    street.live(60)
    for first, second in zip(keys[::2], keys[1::2], strict=True):
        street.down(first, second)
        street.live(1)
    held = [key for key in keys if street.alert(key).held_by == FLOOD]
    assert len(held) > 1
    street.judge()
    assert [key for key in keys if street.alert(key).held_by == FLOOD] == held


def test_summaries_that_are_calm_are_not_stepped() -> None:
    """Neither before there is one, nor once it was acknowledged."""
    street = Street()
    street.up(HUB, DB)
    street.live(2)
    assert street.correlation.settle(street.now) == []
    street.down(HUB, DB)
    street.live(20)
    street.up(HUB, DB)
    street.live(3)
    assert [found.key for found, _ in street.correlation.settle(street.now)] == [GROUP, FLOOD]
    street.live(10)
    group = street.book.get(GROUP, Concern.NOT_ANSWERING)
    assert group.state is State.RECTIFIED
    move = state_machine.acknowledge(group, street.now)
    assert move is not None
    street.book.put(move.after)
    assert street.correlation.settle(street.now) == []


def restarted(street: Street, alerts: Sequence[Alert]) -> Correlation:
    """The next life, with these alerts as they were stored."""
    again = Correlation(AlertBook(alerts), {}, Dependencies())
    again.restore(street.now)
    return again


def test_a_restart_keeps_who_is_held_and_how_many_came() -> None:
    """The next life knows the summaries, what they hold, and what was raised within the last ten minutes."""
    street, keys = flood()
    again = restarted(street, [*(street.alert(key) for key in keys), street.flood])
    moves = [m for _, moves in again.settle(street.now + timedelta(seconds=15)) for m in moves]
    assert moves == []


def test_a_flood_whose_summary_was_lost_lets_its_alerts_go() -> None:
    """Held by a flood that does not stand: told by itself, rather than never."""
    street, keys = flood()
    held = street.alert(keys[-1])
    assert held.held_by == FLOOD
    found = Finding(held.key, held.concern, street.now, held.priority)
    moves = restarted(street, [held]).step(found, street.now, Rules().delays(Concern.FAULTY))
    assert [m.notification for m in moves] == [NotificationKind.RAISED]


def test_a_gap_is_left_out_of_what_is_waited_for() -> None:
    """A cause that was over a minute before three days of sleep is over for a minute after them."""
    street = station()
    street.down(GUEST, HUB)
    street.live(10)
    street.up(GUEST)
    street.live(2)
    gap = timedelta(days=3)
    street.now += gap
    street.book.bridge(gap)
    street.correlation.bridge(gap)
    for evaluator in street.watch.values():
        evaluator.bridge(gap, street.now, look_again=True)
    street.live(2)
    assert street.alert(HUB).held_by == GUEST
    street.live(4)
    assert street.told[-1] == ("service hide-hub", NotificationKind.RAISED)


@pytest.mark.parametrize(("count", "text"), [(2, "a0, a1"), (14, ", a11 and 2 more")])
def test_a_list_is_not_longer_than_it_can_be_read(count: int, text: str) -> None:
    """A summary is read on a phone."""
    assert named(f"a{n}" for n in range(count)).endswith(text)


def test_a_rate_forgets_what_is_older_than_ten_minutes() -> None:
    """And what lies in the future after a clock that was set back does not count."""
    rate = Flood()
    for minute in range(9):
        rate.count(START + timedelta(minutes=minute))
    assert rate.begins(START + timedelta(minutes=9))
    assert not rate.begins(START + timedelta(minutes=11))
    assert not rate.begins(START)
