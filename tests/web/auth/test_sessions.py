"""Sessions, by a clock that is moved by hand."""

import pytest

from tests.web.conftest import HandClock
from watchkeeper.web.auth import sessions
from watchkeeper.web.auth.sessions import Sessions


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
