"""How often the same is told."""

import logging

from hypothesis import given
from hypothesis import strategies as st

from tests.logs.test_lines import record
from watchkeeper.logs.limiting import Limiter, Line

Told = list[tuple[str, str]]


def texts(found: object) -> Told:
    """Text and what stands behind it, of each line."""
    assert not isinstance(found, str)
    return [(each.record.getMessage(), each.more) for each in found if isinstance(each, Line)]  # type: ignore[attr-defined]


def numbered(number: int) -> logging.LogRecord:
    """A record with a number."""
    return record("n %s", number)


def test_a_failure_every_second_is_a_line_an_interval() -> None:
    """The first at once; then one an interval, with the newest text and how many; nothing once it is over."""
    limiter, told = Limiter(every_s=60.0), Told()
    for second in range(150):
        told += texts(limiter.take(("probe-error", "skerry"), numbered(second), float(second)))
    assert told == [("n 0", ""), ("n 60", "(the newest of 60 more)"), ("n 120", "(the newest of 60 more)")]
    assert texts(limiter.over(179.0)) == []
    assert texts(limiter.over(180.0)) == [("n 149", "(the newest of 29 more)")]
    assert texts(limiter.over(240.0)) == []
    assert texts(limiter.take(("probe-error", "skerry"), numbered(900), 900.0)) == [("n 900", "")]


def test_one_more_is_told_as_that() -> None:
    """A second one within the interval is told at its end."""
    limiter = Limiter(every_s=60.0)
    assert texts(limiter.take(("a",), numbered(1), 0.0)) == [("n 1", "")]
    assert texts(limiter.take(("a",), numbered(2), 1.0)) == []
    assert texts(limiter.over(60.0)) == [("n 2", "(once more)")]


def test_the_end_tells_what_was_held_back() -> None:
    """A daemon that stops within the interval owes nothing."""
    limiter = Limiter(every_s=60.0)
    for number in range(3):
        list(limiter.take(("a",), numbered(number), 0.0))
    list(limiter.take(("b",), numbered(9), 0.0))
    assert texts(limiter.rest()) == [("n 2", "(the newest of 2 more)")]
    assert texts(limiter.rest()) == []


def test_memory_has_an_end() -> None:
    """Names without end are no leak: the oldest kind is forgotten, and what it held back is told then."""
    limiter, told = Limiter(every_s=60.0, most=3), Told()
    list(limiter.take(("0",), numbered(0), 0.0))
    list(limiter.take(("0",), numbered(100), 0.0))
    for number in range(1, 1_000):
        told += texts(limiter.take((str(number),), numbered(number), 0.0))
    assert [text for text, more in told if not more] == [f"n {n}" for n in range(1, 1_000)]
    assert [(text, more) for text, more in told if more] == [("n 100", "(once more)")]
    assert len(limiter._limited) == 3


@given(st.lists(st.tuples(st.sampled_from("abc"), st.floats(0.0, 500.0)), max_size=60))
def test_the_first_of_a_kind_is_never_lost_and_all_are_counted(events: list[tuple[str, float]]) -> None:
    """Whatever comes when: the first of each kind at once, and told plus counted is what came."""
    limiter, counted, now_s, known = Limiter(every_s=60.0), 0, 0.0, set[str]()
    for kind, later_s in events:
        now_s += later_s
        found = texts(limiter.take((kind,), record(kind), now_s))
        if kind not in known:
            assert found == [(kind, "")]
        known.add(kind)
        counted += sum(_stands_for(more) for _, more in found)
        counted += sum(_stands_for(more) for _, more in texts(limiter.over(now_s)))
    counted += sum(_stands_for(more) for _, more in texts(limiter.rest()))
    assert counted == len(events)


def _stands_for(more: str) -> int:
    return 1 if more in ("", "(once more)") else int(more.split(" ")[3])
