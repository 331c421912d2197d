"""Regular expressions over hostile text have an end."""

import re
import signal
import threading

import pytest

from watchkeeper.probes.support.safe_regex import TookTooLong, found


def test_finds_what_is_there_and_not_what_is_not() -> None:
    """An ordinary pattern works, and SIGALRM is left as it was."""
    before = signal.getsignal(signal.SIGALRM)
    assert found(re.compile(r"tide \d+"), "the tide 42 cm")
    assert not found(re.compile(r"tide \d+"), "no water")
    assert signal.getsignal(signal.SIGALRM) is before
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)


@pytest.mark.parametrize(("pattern", "text"), [(r"(a+)+$", "a" * 64 + "!"), (r"a.*b.*c", "ab" * 200_000)])
def test_a_search_without_end_is_ended(pattern: str, text: str) -> None:
    """A text made to take exponential (or cubic) time is given up, and the next search works."""
    with pytest.raises(TookTooLong):
        found(re.compile(pattern), text, 0.05)
    assert found(re.compile("b"), "abc")


def test_another_thread_may_search_too() -> None:
    """Outside the main thread, where no signal arrives, the search works without an end in time."""
    results: list[bool] = []
    thread = threading.Thread(target=lambda: results.append(found(re.compile("b"), "abc")))
    thread.start()
    thread.join(5)
    assert results == [True]
