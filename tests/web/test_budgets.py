"""How often a secret may be tried, by a clock that is moved by hand."""

from ipaddress import ip_address

import pytest

from tests.web.conftest import HandClock
from watchkeeper.web.auth import budgets
from watchkeeper.web.auth.budgets import Limits, SignInBudgets, Standing, Tries, Visitor
from watchkeeper.web.auth.visitors import UNKNOWN, place_of

DAY_S = 86_400
LIMITS = Limits()


@pytest.fixture
def clock() -> HandClock:
    """A clock of the test's own."""
    return HandClock()


def _from(address: str, browser: str = "none", *, known: bool = False, new: bool = False) -> Visitor:
    return Visitor(place_of(ip_address(address)), browser, known, new)


def _tried(bound: SignInBudgets, visitor: Visitor) -> bool:
    """Make a wrong try where it is allowed now."""
    if max(bound.own_wait_s(visitor), bound.shared_wait_s(visitor)) > 0:
        return False
    bound.count(visitor)
    return True


def test_wrong_tries_wait_longer_and_longer(clock: HandClock) -> None:
    """Five slips are free; then each wait is twice the last, up to a quarter of an hour."""
    bound = Tries(clock)
    waits = []
    for _ in range(16):
        waits.append(bound.wait_s("line"))
        clock.s += waits[-1]
        assert bound.wait_s("line") == 0
        bound.count("line")
    assert waits[:5] == [0, 0, 0, 0, 0]
    assert waits[5:9] == [2, 4, 8, 16]
    assert max(waits) == budgets.LONGEST_WAIT_S


def test_asking_costs_nothing(clock: HandClock) -> None:
    """Coming back while one must wait does not make the wait longer."""
    bound = Tries(clock)
    for _ in range(5):
        bound.count("line")
    assert [bound.wait_s("line") for _ in range(9)] == [2.0] * 9


def test_lines_are_bounded_and_forgotten(clock: HandClock) -> None:
    """Many keys do not fill memory; after an hour a line starts again. A thousand tries do not overflow the wait."""
    bound = Tries(clock, most=100)
    for i in range(150):
        bound.count(i)
    assert len(bound) == 100
    for _ in range(2_000):
        bound.count("line")
    assert bound.wait_s("line") == budgets.LONGEST_WAIT_S
    clock.s += budgets.FORGET_S + 1
    assert bound.made("line") == 0


def test_strangers_guesses_are_bounded_per_day(clock: HandClock) -> None:
    """However many addresses and cookies they use, a day of trying every four seconds gives about 4,350 guesses."""
    bound, made = SignInBudgets(clock), 0
    for i in range(DAY_S // 4):
        made += _tried(bound, _from(f"198.{i >> 16 & 255}.{i >> 8 & 255}.{i & 255}", f"browser {i}"))
        clock.s += 4
    assert LIMITS.burst + DAY_S / LIMITS.refill_s - 2 <= made <= LIMITS.burst + DAY_S / LIMITS.refill_s


@pytest.mark.parametrize("signed_in_before", [False, True])
def test_one_place_is_bounded_per_day(clock: HandClock, *, signed_in_before: bool) -> None:
    """With a new cookie each time it has 2,892 guesses a day, and as many where somebody signed in before."""
    bound, made = SignInBudgets(clock), 0
    if signed_in_before:
        bound.right(_from("192.0.2.7"))
    for i in range(DAY_S // 5):
        made += _tried(bound, _from("192.0.2.7", f"browser {i}"))
        clock.s += 5
    assert made <= LIMITS.place_burst + DAY_S / LIMITS.place_refill_s


@pytest.mark.parametrize("known", [False, True])
def test_one_browser_is_bounded_per_day(clock: HandClock, *, known: bool) -> None:
    """A stolen cookie is good for a hundred guesses a day."""
    bound, made = SignInBudgets(clock), 0
    for _ in range(DAY_S // 5):
        made += _tried(bound, _from("192.0.2.7", "browser", known=known))
        clock.s += 5
    assert 90 <= made <= 120


def test_strangers_do_not_touch_a_known_browser(clock: HandClock) -> None:
    """Not from its own address either; and a known browser's slips cost nobody else."""
    bound = SignInBudgets(clock)
    for i in range(1_000):
        _tried(bound, _from("127.0.0.1", f"browser {i}"))
        _tried(bound, _from(f"127.0.{i >> 8}.{i & 255}"))
    assert not _tried(bound, _from("127.0.0.1", "another"))
    for _ in range(100):
        mine = _from("127.0.0.1", "mine", known=True)
        assert [_tried(bound, mine) for _ in range(4)] == [True] * 4
        bound.right(mine)


def test_a_place_that_signed_in_keeps_a_budget(clock: HandClock) -> None:
    """Many strangers elsewhere use up what is theirs, and cannot push the place out of the table."""
    bound = SignInBudgets(clock)
    bound.right(_from("192.0.2.7"))
    for i in range(5_000):
        _tried(bound, _from(f"198.51.{i >> 8}.{i & 255}"))
        clock.s += 60
    for i in range(100):
        _tried(bound, _from(f"203.0.113.{i}"))
    assert not _tried(bound, _from("203.0.113.200"))
    assert bound.standing(_from("192.0.2.7")) is Standing.KNOWN_PLACE
    assert _tried(bound, _from("192.0.2.7", "new browser"))
    assert len(bound._shares) <= budgets.MOST_LINES


def test_known_places_are_bounded(clock: HandClock) -> None:
    """The one that signed in longest ago goes; an unknown address never becomes a known place."""
    bound = SignInBudgets(clock)
    for i in range(budgets.MOST_KNOWN + 1):
        bound.right(_from(f"192.0.2.{i}"))
    assert bound.standing(_from("192.0.2.0")) is Standing.STRANGER
    assert bound.standing(_from("192.0.2.1")) is Standing.KNOWN_PLACE
    bound.right(Visitor(UNKNOWN, "browser"))
    assert bound.standing(Visitor(UNKNOWN, "browser")) is Standing.STRANGER


def test_who_brings_no_cookie_shares_a_line(clock: HandClock) -> None:
    """A stranger who throws each cookie away has five tries; a browser that keeps its own is not held up by that."""
    bound = SignInBudgets(clock)
    assert [_tried(bound, _from("127.0.0.1", f"b{i}", new=True)) for i in range(7)] == [True] * 5 + [False] * 2
    assert _tried(bound, _from("127.0.0.1", "kept"))
    first_counts = _from("127.0.0.1", "b0")
    assert [_tried(bound, first_counts) for _ in range(5)] == [True] * 4 + [False]


def test_right_password_starts_again(clock: HandClock) -> None:
    """Whoever knows it has all tries again, and costs the others none."""
    bound = SignInBudgets(clock)
    for _ in range(100):
        assert [_tried(bound, _from("192.0.2.7")) for _ in range(4)] == [True] * 4
        bound.right(_from("192.0.2.7"))
        clock.s += 4 * LIMITS.place_refill_s
    assert bound._strangers.wait_s() == 0


def test_least_served_goes_first(clock: HandClock) -> None:
    """Known browsers, known places, then strangers: by their network's, their place's and their own tries."""
    bound = SignInBudgets(clock)
    bound.right(_from("203.0.113.9"))
    bound.count(_from("192.0.2.1"))
    bound.count(_from("127.0.0.2"))
    bound.count(_from("127.0.0.2"))
    order = [
        _from("127.0.0.1", "mine", known=True),
        _from("203.0.113.9"),
        _from("198.51.100.1"),
        _from("192.0.2.2"),
        _from("192.0.2.1", "another"),
        _from("192.0.2.1"),
        _from("127.0.0.1"),
    ]
    assert sorted(set(order), key=bound.rank) == order
