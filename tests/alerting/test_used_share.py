"""A limit of the used share beside the forecast: for chosen subjects alone, the more urgent of both."""

from datetime import UTC, datetime, timedelta

import pytest

from tests.support.house import House, watched
from tests.support.solo import Solo
from watchkeeper.alerting.explain import explain
from watchkeeper.alerting.rules import FullRule, Rules, UsedShareRule, judge_full
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import Kind, Level, SeriesKey

NOW = datetime(2026, 11, 24, 9, 12, tzinfo=UTC)
VAR, SKERRY = SeriesKey("file system /var", "space"), SeriesKey("pool skerry", "space")
LIMITS = UsedShareRule(subjects=("file system *",), caution=0.8)
FULL = FullRule()
CAUTION, WARNING, ALARM = Priority


def still(used: float) -> Forecast:
    """A level that does not grow."""
    return Forecast(NOW.timestamp(), used, 100.0, no_end=NoEnd.STILL)


@pytest.mark.parametrize(
    ("used", "standing", "priority", "limit"),
    [
        (79.0, None, None, None), (80.0, None, CAUTION, 0.8), (90.0, None, WARNING, 0.9), (98.0, None, ALARM, 0.97),
        (88.5, WARNING, WARNING, 0.9), (87.5, WARNING, CAUTION, 0.8), (78.5, CAUTION, CAUTION, 0.8),
        (77.0, CAUTION, None, 0.8), (95.5, ALARM, ALARM, 0.97),
    ],
)  # fmt: skip
def test_which_priority_a_share_has(
    used: float, standing: Priority | None, priority: Priority | None, limit: float | None
) -> None:
    """From its limit on, and then until it is the deadband below; what is below again says by which limit."""
    found = judge_full(VAR, still(used), NOW, FULL, standing, used_share=LIMITS)
    assert (found.priority, found.used_limit) == (priority, limit)


def test_other_subjects_and_no_subjects() -> None:
    """Nobody who did not ask for it gets it."""
    assert judge_full(SKERRY, still(99.0), NOW, FULL, None, used_share=LIMITS).priority is None
    assert judge_full(SKERRY, still(50.0), NOW, FULL, CAUTION, used_share=LIMITS).used_limit is None
    assert judge_full(VAR, still(99.0), NOW, FULL, None).priority is None
    assert UsedShareRule(("*",), None, None, None).lowest("pool skerry") is None


def test_the_more_urgent_of_both() -> None:
    """A forecast of hours is an alarm at 85 % too; then its date decides."""
    now_s = NOW.timestamp()
    soon = Forecast(now_s, 85.0, 100.0, now_s + 3e4, now_s + 4e4, now_s + 5e4, since_s=now_s - 9e5)
    found = judge_full(VAR, soon, NOW, FULL, None, used_share=LIMITS)
    assert (found.priority, found.used_limit) == (ALARM, None)
    months = Forecast(now_s, 92.0, 100.0, now_s + 8e6, now_s + 9e6, now_s + 1e7, since_s=now_s - 9e6)
    assert judge_full(VAR, months, NOW, FULL, None, used_share=LIMITS).used_limit == 0.9


async def test_it_is_sent_with_its_limit_and_its_end() -> None:
    """The message names the share and the limit, and so does the end."""
    house, rules = House(), Rules(used_share=LIMITS)
    for used in (*[50.0] * 5, *[92.0] * 5):
        await house.run(watched([Level(VAR, used, 100.0)], label="filesystems", rules=rules))
    assert house.messages[0].headline.startswith("file system /var 92 % used, your limit is 90 %")
    for _ in range(5 * 60):
        await house.run(watched([Level(VAR, 40.0, 100.0)], label="filesystems", rules=rules))
    assert "file system /var 40 % used, below your limit of 80 %" in house.messages[-1].headline


def test_it_is_explained() -> None:
    """With its limits, and that it decided."""
    judged = Solo(VAR, Kind.LEVEL, 60.0, Rules(used_share=LIMITS))
    for minute in range(5):
        judged.take(Level(VAR, 92.0, 100.0), NOW + timedelta(minutes=minute))
    (found, *_) = judged.judge(NOW + timedelta(minutes=5)).findings
    said = explain(found, judged.latest, judged.rules, judged.alert(Concern.FULL), UTC)
    assert "alarm within 1 day, caution at 80 % used, warning at 90 % used, alarm at 97 % used" in said
    assert "calls for a warning, because the used share has reached 90 %" in said
