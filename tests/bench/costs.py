"""What the tests cost in processor time, those of the processes that they start included: a plugin for pytest.

    pytest -p tests.bench.costs tests/endtoend

prints the costliest files, and the costliest tests. On a busy machine this is the fair figure: seconds by the clock
grow with what else runs.
"""

import os
from collections import defaultdict
from collections.abc import Iterator

import pytest

SHOWN = 25
"""How many files and tests are printed."""

_of_test: dict[str, float] = defaultdict(float)


def _used_s() -> float:
    """Processor time of this process and of its ended children, in seconds."""
    return sum(os.times()[:4])


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Take the difference around a test with its fixtures."""
    before_s = _used_s()
    result = yield
    _of_test[item.nodeid] += _used_s() - before_s
    return result


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print what was counted."""
    of_file: dict[str, float] = defaultdict(float)
    for test, used_s in _of_test.items():
        of_file[test.partition("::")[0]] += used_s
    terminalreporter.section(f"processor time: {_used_s():.1f} s, of which in tests {sum(_of_test.values()):.1f} s")
    for counted in (of_file, _of_test):
        for name in sorted(counted, key=counted.__getitem__, reverse=True)[:SHOWN]:
            terminalreporter.write_line(f"{counted[name]:8.1f} s  {name}")
        terminalreporter.write_line("")
