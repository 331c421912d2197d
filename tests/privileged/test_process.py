"""Programs run to their end, and no further."""

import dataclasses
import os
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.processes import started
from watchkeeper.clock import Clock
from watchkeeper.privileged import descendants
from watchkeeper.privileged import process as running
from watchkeeper.privileged.process import Completed, run

SHELL = "/bin/sh"


def sh(script: str, timeout_s: float = 10.0, limit_bytes: int = running.OUTPUT_LIMIT_BYTES) -> Completed:
    """Run a shell script."""
    return run((SHELL, "-c", script), timeout_s, limit_bytes=limit_bytes)


def gone(pid: int) -> bool:
    """Does a process end, or has it ended? A zombie has. One that was killed takes a moment for it."""
    end_s = Clock().monotonic_s() + 5
    while Clock().monotonic_s() < end_s:
        try:
            if Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
                return True
        except (FileNotFoundError, ProcessLookupError):
            return True
        threading.Event().wait(0.02)
    return False


def test_a_program_that_ends_well() -> None:
    """Both outputs and the status come back as they were."""
    assert sh("echo out; echo err >&2; exit 3") == Completed(3, b"out\n", b"err\n")


def test_bytes_are_kept_as_they_are() -> None:
    """Names that are not UTF-8, line breaks and NUL pass through."""
    assert sh(r"printf 'a\000\377\nb'").stdout == b"a\0\xff\nb"


def test_a_program_that_is_not_there() -> None:
    """It is missing, and that is no error of ours."""
    assert run(("no-such-tool-here",), 1.0) == Completed(None, missing=True)


def test_a_program_that_may_not_be_run(tmp_path: Path) -> None:
    """What is there and cannot be started is an OSError, for it is not missing."""
    tool = tmp_path / "tool"
    tool.write_text("not a program")
    tool.chmod(0o755)
    with pytest.raises(OSError, match="format"):
        run((str(tool),), 1.0)


def test_no_shell_reads_the_arguments() -> None:
    """A dash, a space, a quote and a line break in an argument are only that."""
    odd = ("-n", "two words", "$(id)", "a\nb", "*")
    ran = run((sys.executable, "-c", "import sys; print(sys.argv[1:])", *odd), 20.0)
    assert ran.stdout.decode() == f"{list(odd)}\n"


def test_the_environment_is_fixed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the daemon was started with: plain English, UTC, root's folders, nothing else."""
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    monkeypatch.setenv("LD_PRELOAD", "/nowhere.so")
    said = dict(line.split("=", 1) for line in run(("env",), 10.0).stdout.decode().splitlines())
    assert said == {"LC_ALL": "C", "TZ": "UTC", "PATH": running.PATH, "HOME": "/"}


def test_a_program_that_takes_too_long_is_ended_with_its_children() -> None:
    """The whole group goes, also a child that ignores the polite signal; what it printed so far is kept."""
    began_s = Clock().monotonic_s()
    ran = sh("trap '' TERM; sleep 600 & echo $!; wait", timeout_s=0.3)
    assert ran.timed_out
    assert ran.status is None
    assert Clock().monotonic_s() - began_s < 5
    assert gone(int(ran.stdout))


def test_a_grandchild_that_holds_the_output_open_is_not_waited_for() -> None:
    """The program has ended: what it left behind is ended too, and does not cost the time-out."""
    ran = sh("sleep 600 & echo $!", timeout_s=30.0)
    assert ran.status == 0
    assert gone(int(ran.stdout))


def test_output_has_an_end() -> None:
    """A program that prints without end is stopped at the limit."""
    ran = sh("yes", limit_bytes=10_000)
    assert (ran.truncated, ran.status, len(ran.stdout)) == (True, None, 10_000)


def test_output_that_comes_at_the_very_end_counts_too() -> None:
    """What is still in the pipe when the program has ended is read, and has the same limit."""
    assert len(sh("head -c 60000 /dev/zero").stdout) == 60_000
    assert sh("head -c 60000 /dev/zero", limit_bytes=50_000).truncated


def test_endless_warnings_do_not_spoil_the_output() -> None:
    """Standard error is cut at its own limit; what was printed stays whole."""
    ran = sh("head -c 300000 /dev/zero >&2; echo done")
    assert (ran.status, ran.stdout, len(ran.stderr)) == (0, b"done\n", running.ERROR_LIMIT_BYTES)


def test_standard_input_is_empty() -> None:
    """A tool that asks a question gets no answer instead of waiting for one."""
    assert sh("cat; echo end").stdout == b"end\n"


def test_closed_outputs_are_not_asked_again() -> None:
    """A program that closes both and goes on is waited for, without turning in circles."""
    before = os.times()
    assert sh("exec >&- 2>&-; sleep 0.5; exit 4") == Completed(4)
    assert os.times().user - before.user < 0.4


ESCAPES = {
    "a session of its own": "setsid sleep 600 & echo $!; wait",
    "a session of its own, left behind": "setsid sleep 600 & echo $!",
    "an orphan without an environment": "(env -i setsid sh -c 'sleep 600 & echo $!; exec sleep 600') & sleep 0.2",
    "the child of an orphan": "(setsid sh -c 'sleep 600 & echo $!; wait') & sleep 0.2",
    "ignores every polite signal": "(trap '' TERM HUP INT; setsid sleep 600 & echo $!) & sleep 0.2",
    "many": "for n in 1 2 3 4 5 6 7 8 9 10; do setsid sleep 600 & echo $!; done",
}


def has_ended(pid: int) -> bool:
    """Whether nothing of a process is left, not even what its parent would have to collect."""
    return not Path(f"/proc/{pid}").exists()


@pytest.mark.parametrize("script", ESCAPES.values(), ids=ESCAPES)
@pytest.mark.parametrize("ends", [True, False], ids=["ends", "is killed"])
def test_nothing_that_a_program_started_is_left(script: str, *, ends: bool) -> None:
    """Whatever left its session or outlived its parent is ended and collected when the run returns."""
    ran = sh(script if ends else f"{script}; sleep 600", timeout_s=2.0 if ends else 0.6)
    pids = [int(line) for line in ran.stdout.split()]
    assert pids
    assert [pid for pid in pids if not has_ended(pid)] == []


def test_programs_that_run_at_the_same_time_end_only_their_own() -> None:
    """A run that ends kills nothing of another one, not even what has left that one's tree, and no other child."""
    with started(["sleep", "600"]) as other, tempfile.TemporaryDirectory() as folder:
        script = f"(setsid sleep 601 & echo $!); echo > {folder}/ready; while [ ! -e {folder}/go ]; do sleep 0.02; done"
        ran = list[Completed]()
        long = threading.Thread(target=lambda: ran.append(sh(script, timeout_s=60.0)))
        long.start()
        until(lambda: Path(folder, "ready").exists())
        assert has_ended(int(sh("setsid sleep 602 & echo $!").stdout))
        (orphan,) = [pid for pid in descendants._numbers() if cmdline(pid).split(b"\0")[1:2] == [b"601"]]
        assert not has_ended(orphan)
        Path(folder, "go").touch()
        long.join(30)
        assert int(ran[0].stdout) == orphan
        assert has_ended(orphan)
        assert other.poll() is None


def test_a_reused_number_kills_nobody() -> None:
    """A process that has taken the number of one that was found is not killed."""
    with started(["sleep", "600"]) as other:
        found = descendants._look(other.pid)
        assert found is not None
        earlier = dataclasses.replace(found, started=found.started - 1)
        descendants._kill([earlier], Clock().monotonic_s() + 0.1)
        assert other.poll() is None
        descendants._kill([found], Clock().monotonic_s() + 5)
        assert gone(other.pid)


def test_what_could_not_be_ended_is_looked_for_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """A process that waits in the kernel is left behind, and ended with the next program."""
    with monkeypatch.context() as hanging:
        hanging.setattr(descendants, "_kill", lambda *_: None)
        hanging.setattr(descendants, "REAP_S", 0.1)
        pid = int(sh("setsid sleep 600 & echo $!").stdout)
    assert not has_ended(pid)
    sh("true")
    assert has_ended(pid)


def until(true: Callable[[], bool]) -> None:
    """Wait for something, at most 30 s."""
    end_s = Clock().monotonic_s() + 30
    while not true():
        assert Clock().monotonic_s() < end_s
        threading.Event().wait(0.02)


def cmdline(pid: int) -> bytes:
    """The words of a process; empty where it has ended."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""
