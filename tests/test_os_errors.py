"""Which remedy is told for an error of the operating system, and that what was not looked at is not judged."""

import errno
import os
import resource
import socket
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest

from watchkeeper.clock import Clock
from watchkeeper.errors import ProbeError, StoreError
from watchkeeper.model.probe_state import JobReport
from watchkeeper.os_errors import connection_failure, exhausted, explained, remedy
from watchkeeper.probes.host.memory import MemoryProbe
from watchkeeper.probes.services.http import errors as http_reasons
from watchkeeper.probes.support import resolve as names
from watchkeeper.store.connection import translate_error
from watchkeeper.store.files import job_spool


@contextmanager
def no_descriptors() -> Iterator[None]:
    """Leave this process no free descriptor."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    held: list[int] = []
    resource.setrlimit(resource.RLIMIT_NOFILE, (64, hard))
    try:
        with suppress(OSError):
            held.extend(os.open("/dev/null", os.O_RDONLY) for _ in range(64))
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        for each in held:
            os.close(each)


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EMFILE, "this process has no free file descriptors (limit "),
        (errno.ENFILE, "the host has no free file descriptors"),
        (errno.ENOMEM, "the host has no free memory"),
        (errno.EIO, "the storage below it has an error"),
        (errno.EROFS, "mounted read-only"),
        (errno.EACCES, "let this user read it"),
    ],
)
def test_the_remedy_fits_the_error(number: int, words: str) -> None:
    """The caller's advice is for an error that is about the thing itself."""
    assert words in remedy(OSError(number, os.strerror(number)), "let this user read it")


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (ConnectionRefusedError(errno.ECONNREFUSED, "Connect call failed ('192.0.2.1', 25)"), "connection refused"),
        (OSError("Multiple exceptions: [Errno 111] Connect call failed, [Errno 111] x"), "connection refused"),
        (OSError("Multiple exceptions: [Errno 111] x, [Errno 113] y"), "connection refused, no route to the host"),
        (OSError(errno.ENOTCONN, "x"), os.strerror(errno.ENOTCONN)),
        (TimeoutError(), "the host does not answer"),
        (socket.gaierror(socket.EAI_NONAME, "x"), "its name is not known"),
        (socket.gaierror(socket.EAI_AGAIN, "x"), "its name cannot be looked up"),
        (ConnectionError(), "ConnectionError"),
    ],
)
def test_why_a_connection_failed(error: OSError, words: str) -> None:
    """In a few words, each once, and without the address that the error's own text may contain."""
    assert connection_failure(error) == words


def test_what_is_explained() -> None:
    """Only what is not about the thing itself brings a remedy of its own."""
    assert explained(OSError(errno.ENOENT, "No such file or directory")) == "No such file or directory"
    assert explained(OSError(errno.EIO, "Input/output error")) == "Input/output error"
    assert explained(OSError(errno.EMFILE, "Too many open files")).startswith(
        "Too many open files: this process has no"
    )
    assert not exhausted(ValueError("x"))


def report(job: str) -> JobReport:
    """A report of a job."""
    return JobReport(job, datetime(2026, 11, 1, tzinfo=UTC), failed=False, message="")


def test_a_report_that_cannot_be_opened_just_now_stays(tmp_path: Path) -> None:
    """With no free descriptor nothing is set aside, and it is read the next time."""
    folder = tmp_path / "w.db.jobs"
    job_spool.leave(folder, report("nightly"))
    with no_descriptors(), pytest.raises(OSError, match="Too many open files"):
        job_spool.read(folder)
    assert [each.report.job for each in job_spool.read(folder)] == ["nightly"]


async def test_the_folder_of_reports_is_not_to_be_given_back(tmp_path: Path) -> None:
    """The message names the limit and not the folder's owner."""
    spooled = job_spool.SpooledJobReports(None, tmp_path, Clock().now)  # type: ignore[arg-type]
    with pytest.raises(StoreError) as told, no_descriptors():
        await spooled.last("nightly")
    assert "no free file descriptors (limit 64)" in str(told.value)
    assert "give it back" not in str(told.value)


def test_memory_does_not_ask_for_a_right() -> None:
    """/proc/meminfo may be read by everyone; it was the descriptors."""
    probe = MemoryProbe.__new__(MemoryProbe)
    probe._proc = Path("/proc")
    with no_descriptors(), pytest.raises(ProbeError) as told:
        probe._read("meminfo")
    assert "no free file descriptors (limit 64)" in str(told.value)
    assert "let this user" not in str(told.value)


def test_a_database_that_cannot_be_opened_just_now(tmp_path: Path) -> None:
    """SQLite says only that it cannot open it."""
    path = tmp_path / "w.db"
    with no_descriptors():
        with pytest.raises(sqlite3.OperationalError) as raised:
            sqlite3.connect(path)
        told = str(translate_error(raised.value, path))
    assert "no free file descriptors" in told
    assert "right" not in told


@pytest.mark.parametrize("why", [names.why, http_reasons.why])
def test_a_service_is_not_silent_where_no_socket_could_be_made(why: object) -> None:
    """It was not asked, so its probe fails, and nothing is said about the service."""
    assert callable(why)
    with pytest.raises(ProbeError, match="no free file descriptors"):
        why(OSError(errno.EMFILE, "Too many open files"), "hide-hub")
