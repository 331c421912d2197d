"""When time alone may next change something about a series."""

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.support.messages import HIDE_HUB, NOW, SKERRY
from tests.support.solo import Solo
from watchkeeper.alerting import state_machine
from watchkeeper.alerting.next_evaluation import next_evaluation
from watchkeeper.alerting.rules import FaultyRule, NotAnsweringRule, Rules
from watchkeeper.model.alert import Alert, Concern, Delays, Priority, State
from watchkeeper.model.chattering import Chattering
from watchkeeper.model.observation import Answer, Kind, Level

SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)


def silent(rule: NotAnsweringRule) -> Solo:
    """A service that has just been lost."""
    judgement = Solo(HIDE_HUB, Kind.ANSWER, 60.0, Rules(not_answering=rule))
    judgement.take(Answer(HIDE_HUB, answered=False), NOW)
    return judgement


def test_all_is_well() -> None:
    """Nothing is due where nothing is wrong and no delay runs."""
    judgement = silent(NotAnsweringRule())
    judgement.take(Answer(HIDE_HUB, answered=True), NOW)
    assert next_evaluation(judgement, NOW) is None
    level = Solo(SKERRY, Kind.LEVEL, 60.0, Rules())
    level.take(Level(SKERRY, 1.0, 2.0), NOW)
    level.judge(NOW)
    assert next_evaluation(level, NOW) is None


def test_the_limits_of_a_silence_come_one_after_the_other() -> None:
    """Each limit that is set is due in its turn; after the last one nothing is."""
    judgement = silent(NotAnsweringRule(caution_s=None, warning_s=60.0, alarm_s=120.0))
    assert next_evaluation(judgement, NOW) == NOW + MINUTE
    assert next_evaluation(judgement, NOW + MINUTE) == NOW + 2 * MINUTE
    assert next_evaluation(judgement, NOW + 2 * MINUTE) is None


@pytest.mark.parametrize("early", [timedelta(microseconds=1), SECOND])
def test_what_is_due_is_so_at_that_very_moment(early: timedelta) -> None:
    """Judged then, it is raised; a moment sooner it is not."""
    due_at = next_evaluation(silent(NotAnsweringRule(warning_s=60.0)), NOW)
    assert due_at is not None
    assert silent(NotAnsweringRule(warning_s=60.0)).judge(due_at - early).transitions == ()
    (raised,) = silent(NotAnsweringRule(warning_s=60.0)).judge(due_at).transitions
    assert raised.after.priority is Priority.WARNING


def test_delays_run_out() -> None:
    """An on-delay and an off-delay are due when they are over, and the move is made then."""
    rule = NotAnsweringRule(warning_s=0.0, alarm_s=None, delays=Delays(on_delay_s=5.0, off_delay_s=7.0))
    judgement = silent(rule)
    assert judgement.judge(NOW).transitions == ()
    assert next_evaluation(judgement, NOW) == NOW + 5 * SECOND
    assert len(judgement.judge(NOW + 5 * SECOND).transitions) == 1
    judgement.take(Answer(HIDE_HUB, answered=True), NOW + MINUTE)
    assert judgement.judge(NOW + MINUTE).transitions == ()
    assert next_evaluation(judgement, NOW + MINUTE) == NOW + MINUTE + 7 * SECOND
    assert len(judgement.judge(NOW + MINUTE + 7 * SECOND).transitions) == 1


def test_while_it_chatters_its_calm_is_what_is_waited_for() -> None:
    """An alert that comes and goes has the longer off-delay."""
    delays = Delays(off_delay_s=7.0, chattering=Chattering(raises=2, calm_s=600.0))
    standing = Alert(
        HIDE_HUB,
        Concern.NOT_ANSWERING,
        State.ACTIVE,
        Priority.WARNING,
        raise_count=2,
        notified_priority=Priority.WARNING,
    )
    falling, moves = state_machine.step(standing, None, NOW, delays)
    assert (moves, falling.pending_since) == ((), NOW)
    assert state_machine.pending_until(falling, delays) == NOW + 600 * SECOND
    assert state_machine.pending_until(replace(falling, raise_count=0), delays) == NOW + 7 * SECOND
    assert state_machine.pending_until(Alert(HIDE_HUB, Concern.NOT_ANSWERING), delays) is None


def test_what_is_held_or_shelved_until_an_instant() -> None:
    """The end of a shelving, and of being held, are due."""
    judgement = Solo(HIDE_HUB, Kind.CONDITION, 60.0, Rules(faulty=FaultyRule()))
    alert = judgement.alert(Concern.FAULTY)
    judgement.book.put(state_machine.shelve(alert, NOW, NOW + MINUTE).after)
    judgement.book.put(replace(judgement.alert(Concern.NOT_REPORTING), held_until=NOW + 2 * MINUTE))
    assert next_evaluation(judgement, NOW) == NOW + MINUTE
    assert next_evaluation(judgement, NOW + MINUTE) == NOW + 2 * MINUTE
