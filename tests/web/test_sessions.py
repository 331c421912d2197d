"""Sessions and the bound on guessing, by a clock that is moved by hand."""

import pytest

from watchkeeper.clock import Clock
from watchkeeper.web import sessions
from watchkeeper.web.sessions import Sessions, Throttle


class HandClock(Clock):
    """A monotonic clock that stands until it is moved."""

    def __init__(self) -> None:
        self.s = 1_000.0

    def monotonic_s(self) -> float:
        return self.s


@pytest.fixture
def clock() -> HandClock:
    """A clock of the test's own."""
    return HandClock()


def test_session_is_found_by_its_token_alone(clock: HandClock) -> None:
    """Each session has a token of its own; another text finds none, and the token itself is not kept."""
    known = Sessions(clock)
    (token, one), (other, two) = known.begin(), known.begin()
    assert known.find(token) is one
    assert known.find(other) is two
    assert known.find("") is known.find(token + "x") is None
    assert one.csrf != two.csrf
    assert token.encode() not in known._known


def test_idle_and_old_sessions_end(clock: HandClock) -> None:
    """A session ends when nobody uses it, and after a week however much it is used."""
    known = Sessions(clock)
    idle, _ = known.begin()
    clock.s += sessions.IDLE_S + 1
    assert known.find(idle) is None
    used, _ = known.begin()
    for _ in range(int(sessions.LONGEST_S // (sessions.IDLE_S / 2))):
        clock.s += sessions.IDLE_S / 2
        assert known.find(used)
    clock.s += sessions.IDLE_S / 2
    assert known.find(used) is None


def test_only_so_many_sessions(clock: HandClock) -> None:
    """The oldest goes for a new one, so that memory is bounded; all can be ended at once."""
    known = Sessions(clock)
    tokens = [known.begin()[0] for _ in range(sessions.MOST_SESSIONS + 1)]
    assert known.find(tokens[0]) is None
    assert known.find(tokens[-1])
    known.end_all()
    assert known.find(tokens[-1]) is None


def test_wrong_tries_wait_longer_and_longer(clock: HandClock) -> None:
    """Five slips are free; then each wait is twice the last, up to a quarter of an hour."""
    bound = Throttle(clock)
    waits = []
    for _ in range(16):
        waited = bound.begin("192.0.2.7")
        waits.append(waited)
        clock.s += waited
        if waited:
            assert bound.begin("192.0.2.7") == 0
    assert waits[:5] == [0, 0, 0, 0, 0]
    assert waits[5:9] == [2, 4, 8, 16]
    assert max(waits) == sessions.LONGEST_WAIT_S


def test_a_refused_try_costs_nothing_more(clock: HandClock) -> None:
    """Knocking while one must wait does not make the wait longer."""
    bound = Throttle(clock)
    for _ in range(5):
        bound.begin("192.0.2.7")
    assert [bound.begin("192.0.2.7") for _ in range(9)] == [2.0] * 9


def test_other_places_are_free_until_all_together_are_too_many(clock: HandClock) -> None:
    """One place's slips do not bind another; but many places share one bound, which fills up again slowly."""
    bound = Throttle(clock)
    for _ in range(5):
        bound.begin("192.0.2.7")
    assert bound.begin("192.0.2.7") > 0
    assert bound.begin("192.0.2.8") == 0
    tried = sum(bound.begin(f"198.51.100.{i}") == 0 for i in range(200))
    assert tried == sessions.BURST - 6
    clock.s += 10 * sessions.REFILL_S
    assert sum(bound.begin(f"203.0.113.{i}") == 0 for i in range(200)) == 10


def test_right_password_begins_anew(clock: HandClock) -> None:
    """Whoever knows it has all tries again, and costs the others none."""
    bound = Throttle(clock)
    for _ in range(100):
        for _ in range(4):
            assert bound.begin("192.0.2.7") == 0
            bound.right("192.0.2.7")


def test_places_are_bounded_and_forgotten(clock: HandClock) -> None:
    """A crowd of addresses does not fill memory; after an hour a place begins anew."""
    bound = Throttle(clock)
    for i in range(sessions.MOST_PLACES + 50):
        bound.begin(f"place {i}")
    assert len(bound._places) <= sessions.MOST_PLACES
    clock.s += sessions.FORGET_S * 10
    for _ in range(5):
        bound.begin("192.0.2.7")
    clock.s += sessions.FORGET_S + 1
    assert [bound.begin("192.0.2.7") for _ in range(5)] == [0] * 5
