"""What holds for every test: where Hypothesis stops, which tests begin first, that nothing is left running.

Here are also the fixtures that probes are made with.

The bound in time of each test is in pyproject.toml; a test that needs longer says so with @pytest.mark.timeout.
"""

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from coverage import Coverage
from hypothesis import settings

from watchkeeper.clock import Clock
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers

# These machines are shared and slow at times: an example's time says nothing about the code.
settings.register_profile("watchkeeper", deadline=None)
settings.load_profile("watchkeeper")

LEFT_S = 10.0
"""How long a thread or a process that was told to end may take until it has ended."""


CHILDREN_MEASURED = "COVERAGE_PROCESS_CONFIG"
"""The variable by which coverage measures in processes that are started (`patch = ["subprocess"]`)."""

HERE = Path(__file__).parent
BOUNDS_S = {HERE / "endtoend": 600, HERE / "host": 3500}
"""Folders of tests that take long, and the bound of each of their tests: real daemons in real time, a whole machine."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the files that have slow tests in them: what is begun last must not be what takes longest."""
    for item in items:
        bound_s = next((bound_s for folder, bound_s in BOUNDS_S.items() if item.path.is_relative_to(folder)), None)
        if bound_s is not None:
            item.add_marker("slow")
            if item.get_closest_marker("timeout") is None:
                item.add_marker(pytest.mark.timeout(bound_s))
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Measure no coverage in a test that is marked as untraced, in its fixtures, nor in the processes that it starts.

    Those live through days and weeks, or start and kill many daemons: much of that would be the tracer's time, and a
    killed process writes nothing down. Other tests run all that they run.
    """
    measuring = Coverage.current() if item.get_closest_marker("untraced") else None
    if measuring is None:
        return (yield)
    inherited = os.environ.pop(CHILDREN_MEASURED, None)
    measuring.stop()
    try:
        return (yield)
    finally:
        measuring.start()
        if inherited is not None:
            os.environ[CHILDREN_MEASURED] = inherited


@pytest.fixture(autouse=True)
def nothing_left() -> Iterator[None]:
    """Fail the test that leaves a thread or a process of its own behind. Daemon threads end with the interpreter."""
    before = set(_running())
    yield
    end = time.monotonic() + LEFT_S
    while (left := set(_running()) - before) and time.monotonic() < end:
        time.sleep(0.01)
    assert not left, f"left running: {', '.join(map(_named, sorted(left)))}"


@pytest.fixture
def workers() -> Iterator[ThreadWorkers]:
    """Real workers; their idle threads end with the test."""
    workers = ThreadWorkers()
    yield workers
    workers.close()


@pytest.fixture
def bench(workers: ThreadWorkers) -> ProbeContext:
    """A bench with the real clock and real workers."""
    return ProbeContext(Clock(), workers)


def _running() -> Iterator[tuple[str, int]]:
    """The threads and the child processes of this process."""
    yield from (("thread", each.ident or 0) for each in threading.enumerate() if not each.daemon)
    for listed in Path("/proc/self/task").glob("*/children"):
        yield from (("process", int(pid)) for pid in _read(listed).split() if not _has_ended(int(pid)))


def _has_ended(pid: int) -> bool:
    """Whether it only waits to be collected: an orphan of a daemon comes here where a test made this the reaper."""
    return _read(Path(f"/proc/{pid}/stat")).rpartition(")")[2].split()[:1] in (["Z"], [])


def _named(each: tuple[str, int]) -> str:
    kind, number = each
    if kind == "thread":
        return next((f"thread {one.name}" for one in threading.enumerate() if one.ident == number), "a thread")
    return f"process {number} ({_read(Path(f'/proc/{number}/cmdline')).replace(chr(0), ' ').strip()[:200]})"


def _read(path: Path) -> str:
    try:
        return path.read_text(errors="replace")
    except (FileNotFoundError, ProcessLookupError):
        return ""  # The thread or the process has ended meanwhile.
