"""The native protocol, against a reader that follows systemd's document."""

import os
import struct
import tempfile
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.journald import Listener, decoded
from watchkeeper.logs import journal
from watchkeeper.logs.journal import Journal, encoded, is_where_stderr_leads


@pytest.fixture
def listener(tmp_path: Path) -> Iterator[Listener]:
    """A socket as the journal holds it."""
    found = Listener(tmp_path / "socket")
    yield found
    found.close()


def fill(sender: Journal) -> None:
    """Send until nothing more is taken."""
    for _ in range(100_000):
        sender.send({"MESSAGE": "so"})


def test_the_example_of_the_document() -> None:
    """The document's own example: two plain fields, and one with a line break and its length in 64 bits."""
    fields = {"FIELD_A": "the value", "FIELD_B": "two\nlines"}
    expected = b"FIELD_A=the value\nFIELD_B\n" + (9).to_bytes(8, "little") + b"two\nlines\n"
    assert encoded(fields) == expected
    assert struct.unpack("<Q", expected[26:34]) == (9,)


@given(st.dictionaries(st.from_regex(r"[A-Z][A-Z0-9_]{0,60}", fullmatch=True), st.text()))
def test_what_is_sent_is_what_is_read(fields: dict[str, str]) -> None:
    """Whatever the values hold, the fields come apart again as they were put together."""
    assert decoded(encoded(fields)) == {k: v.encode("utf-8", "replace").decode() for k, v in fields.items()}


def test_an_entry_is_a_datagram(listener: Listener) -> None:
    """One entry, one datagram."""
    sender = Journal(listener.path)
    sender.send({"MESSAGE": "so", "PRIORITY": "4"})
    sender.send({"MESSAGE": "and so"})
    assert listener.entries() == [{"MESSAGE": "so", "PRIORITY": "4"}, {"MESSAGE": "and so"}]
    sender.close()


def test_what_is_too_large_comes_as_a_sealed_file(listener: Listener) -> None:
    """A trace of megabytes goes by descriptor, and the file can no longer be changed, as the journal demands."""
    sender = Journal(listener.path)
    fields = {"MESSAGE": "so", "WATCHKEEPER_TRACE": "line\n" * 10**6}
    before = psutil.Process().num_fds()
    sender.send(fields)
    assert listener.entries() == [fields]
    assert listener.seals == [journal._SEALS]
    assert psutil.Process().num_fds() == before
    sender.close()


def test_a_journal_that_is_slow_or_gone(tmp_path: Path, listener: Listener) -> None:
    """A full socket says that it will be able to take it soon; one that is not there says so."""
    sender = Journal(listener.path)
    with pytest.raises(BlockingIOError):
        fill(sender)
    sender.close()
    gone = Journal(tmp_path / "nowhere")
    with pytest.raises(FileNotFoundError):
        gone.send({"MESSAGE": "so"})
    gone.close()


def test_where_standard_error_leads() -> None:
    """systemd.exec(5): device and inode of the stream; only both together, of this very descriptor, are the journal."""
    with tempfile.TemporaryFile() as stream, tempfile.TemporaryFile() as other:
        found = os.fstat(stream.fileno())
        named = f"{found.st_dev}:{found.st_ino}"
        assert is_where_stderr_leads({"JOURNAL_STREAM": named}, stream.fileno())
        assert not is_where_stderr_leads({"JOURNAL_STREAM": named}, other.fileno())
        assert not is_where_stderr_leads({"JOURNAL_STREAM": f"{found.st_dev + 1}:{found.st_ino}"}, stream.fileno())
        for none in ("", "nonsense", ":", f"{found.st_dev}"):
            assert not is_where_stderr_leads({"JOURNAL_STREAM": none}, stream.fileno())
        assert not is_where_stderr_leads({}, stream.fileno())
        assert not is_where_stderr_leads({"JOURNAL_STREAM": named}, -1)


def test_other_errors_are_not_hidden(monkeypatch: pytest.MonkeyPatch, listener: Listener) -> None:
    """Only what is too large is sent as a file."""
    sender = Journal(listener.path)
    monkeypatch.setattr(journal, "_TOO_LARGE", frozenset())
    with pytest.raises(OSError, match="Message too long"):
        sender.send({"MESSAGE": "x" * 10**7})
    sender.close()
    with pytest.raises(OSError, match="Bad file descriptor"):
        sender.send({"MESSAGE": "so"})
