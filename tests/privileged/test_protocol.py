"""The conversation with root's side, over real sockets and through the real program."""

import json
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.privileged import protocol
from watchkeeper.privileged.commands import Result
from watchkeeper.privileged.process import Completed
from watchkeeper.privileged.protocol import HelperError, make_reply, parse_reply, serve

ROOT = Path(__file__).parents[2]

RESULTS = st.builds(
    Result,
    st.text(),
    st.builds(
        Completed,
        st.none() | st.integers(-64, 255),
        st.binary(),
        st.binary(),
        st.booleans(),
        st.booleans(),
        st.booleans(),
    ),
)


@given(st.lists(RESULTS, max_size=3))
def test_what_is_said_is_understood(results: list[Result]) -> None:
    """Every result comes through as it was, whatever bytes a tool printed."""
    records = [protocol._record(each) for each in results]
    said = protocol._line({"form": protocol.FORM, "runs": records})
    assert parse_reply(said) == results
    assert said.count(b"\n") == 1


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b'{"form": 1}',
        b'{"form": 1, "runs": 7}',
        b'{"form": 1, "runs": [7]}',
        b'{"form": 1, "runs": [{"target": ""}]}',
        b'{"form": 1, "runs": [{"target": "", "status": "0", "stdout": "", "stderr": ""}]}',
        b'{"form": 2, "runs": []}',
        b"\xff",
        b"[" * 100_000,
    ],
)
def test_what_is_no_answer(said: bytes) -> None:
    """Cut short, of another form, or not JSON: one error for all of them."""
    with pytest.raises(HelperError):
        parse_reply(said)


def test_no_answer_at_all() -> None:
    """Where too many commands hang already, the service manager hangs up: the operator is told where to look."""
    with pytest.raises(HelperError, match="ended without a word; see `systemctl"):
        parse_reply(b"")


@pytest.mark.parametrize("name", [None, "", "no-such-thing", "volumes --help", "../volumes"])
def test_a_name_that_is_not_in_the_list(name: str | None) -> None:
    """It is refused, and not repeated."""
    assert json.loads(make_reply(name)) == {"form": 1, "error": "there is no such name"}
    with pytest.raises(HelperError, match="no such name"):
        parse_reply(make_reply(name))


def test_a_command_that_cannot_be_started(monkeypatch: pytest.MonkeyPatch) -> None:
    """No memory for another process: said in so many words."""

    def fail(_name: str) -> list[Result]:
        raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr(protocol, "collect", fail)
    with pytest.raises(HelperError, match="Cannot allocate memory"):
        parse_reply(make_reply("volumes"))


def ask(line: bytes) -> bytes:
    """Serve one caller in a thread, and give what it hears."""
    ours, theirs = socket.socketpair()
    ours.settimeout(30)
    with ours, theirs:
        thread = threading.Thread(target=serve, args=(theirs,))
        thread.start()
        ours.sendall(line)
        ours.shutdown(socket.SHUT_WR)
        thread.join(30)
        theirs.close()
        with ours.makefile("rb") as heard:
            return heard.read()


@pytest.mark.parametrize("line", [b"no-such-thing\n", b"volumes", b"\xff\n", b"x" * 70 + b"\n", b"\n", b""])
def test_a_line_that_names_nothing(line: bytes) -> None:
    """Unknown, unfinished, not ASCII, too long, empty: each is refused in the same words."""
    with pytest.raises(HelperError, match="no such name"):
        parse_reply(ask(line))


def test_only_the_first_line_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a caller adds behind the name is not looked at."""
    monkeypatch.setattr(protocol, "collect", lambda name: [Result(name, Completed(0, b"as asked"))])
    assert parse_reply(ask(b"volumes\n--force\n")) == [Result("volumes", Completed(0, b"as asked"))]


def test_a_caller_that_says_nothing_is_disconnected(monkeypatch: pytest.MonkeyPatch) -> None:
    """Root does not wait for it."""
    monkeypatch.setattr(protocol, "PATIENCE_S", 0.05)
    ours, theirs = socket.socketpair()
    with ours, theirs, pytest.raises(TimeoutError):
        serve(theirs)


def test_a_line_that_is_dripped_has_one_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    """A byte now and then does not begin the time again: it ends long before the line could be full."""
    monkeypatch.setattr(protocol, "PATIENCE_S", 0.5)
    ours, theirs = socket.socketpair()
    ended, sent = threading.Event(), 0

    def drip() -> None:
        nonlocal sent
        for _ in range(protocol.NAME_LIMIT_BYTES):
            ours.sendall(b"v")
            sent += 1
            if ended.wait(0.1):
                return

    dripping = threading.Thread(target=drip)
    with ours, theirs:
        dripping.start()
        try:
            with pytest.raises(TimeoutError):
                serve(theirs)
        finally:
            ended.set()
            dripping.join(30)
    assert sent < protocol.NAME_LIMIT_BYTES


@pytest.mark.parametrize("name", ["target", "stdout", "stderr"])
def test_half_a_character_is_no_answer(name: str) -> None:
    """JSON can name one half of a pair of surrogates, which stands neither for a character nor for a byte."""
    record = {"target": "", "status": 0, "stdout": "", "stderr": "", name: "\ud800"}
    with pytest.raises(HelperError, match="neither text nor bytes"):
        parse_reply(json.dumps({"form": protocol.FORM, "runs": [record]}).encode("ascii"))
    with pytest.raises(HelperError, match="neither text nor bytes"):
        parse_reply(json.dumps({"form": protocol.FORM, "error": "\ud800"}).encode("ascii"))


def run_program(connection: socket.socket) -> "subprocess.CompletedProcess[bytes]":
    """Run root's side as the service manager does, with the connection as standard input."""
    command = [sys.executable, "-m", "watchkeeper.privileged"]
    return subprocess.run(command, stdin=connection.fileno(), capture_output=True, cwd=ROOT, timeout=60, check=False)


def test_the_program_itself() -> None:
    """It answers its one caller and ends without a word of its own."""
    ours, theirs = socket.socketpair()
    ours.settimeout(30)
    with ours, theirs:
        ours.sendall(b"no-such-thing\n")
        ended = run_program(theirs)
        assert (ended.returncode, ended.stdout, ended.stderr) == (0, b"", b"")
        with pytest.raises(HelperError, match="no such name"):
            parse_reply(ours.recv(65_536))


def test_a_caller_that_has_left() -> None:
    """It is no fault of root's side, and leaves no trace in its log."""
    ours, theirs = socket.socketpair()
    with theirs:
        ours.sendall(b"no-such-thing\n")
        ours.close()
        ended = run_program(theirs)
        assert (ended.returncode, ended.stdout, ended.stderr) == (0, b"", b"")


def test_the_program_loads_nothing_but_the_standard_library() -> None:
    """What runs as root is small: of watchkeeper only its own files and the clock, and nobody else's code."""
    code = (
        "import sys; before = set(sys.modules); from watchkeeper.privileged import __main__; "
        "print(*set(sys.modules) - before)"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, cwd=ROOT, timeout=60, text=True, check=True
    )
    loaded = {name for name in ended.stdout.split() if name.partition(".")[0] not in sys.stdlib_module_names}
    assert {name for name in loaded if not name.startswith("watchkeeper.privileged")} == {
        "watchkeeper",
        "watchkeeper.clock",
    }
