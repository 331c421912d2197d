"""Programs of the operator's own, run for real."""

import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from tests.probes.hands import the_condition, the_level
from watchkeeper.errors import PrivilegeMissing, ProbeError, ProbeTimeout, ToolMissing
from watchkeeper.messages.wording import fill
from watchkeeper.model.observation import Condition, Level, Observation, SeriesKey, Unit
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.programs.command import CommandProbe, CommandSettings

NUMBER = {"format": "number", "quantity": "depth"}


def program(folder: Path, body: str, name: str = "tide-gauge") -> str:
    """A shell script that can be run by its path."""
    path = folder / name
    path.write_text(f"#!/bin/sh\n{body}\n")
    path.chmod(0o755)
    return str(path)


async def observe(bench: ProbeContext, *words: str, **settings: Any) -> list[Observation]:
    """What a program brings."""
    probe = CommandProbe(CommandSettings.model_validate({"name": "tide", "run": words, **settings}), bench)
    seen = list(await probe.observe())
    await probe.close()
    return seen


async def test_a_number_with_a_capacity(bench: ProbeContext, tmp_path: Path) -> None:
    """A number of a capacity is a level like any other."""
    path = program(tmp_path, "echo ' 2.5 '")
    level = the_level(await observe(bench, path, **NUMBER, capacity=10, unit="share"))
    assert level == Level(SeriesKey("tide", "depth"), 2.5, 10.0, Unit.SHARE)


@pytest.mark.parametrize(
    ("printed", "limits", "reason"),
    [
        ("5", {"at_most": 10}, ""),
        ("11", {"at_most": 10}, "depth is 11, expected at most 10"),
        ("-1e0", {"at_least": 0, "at_most": 10}, "depth is -1, expected at least 0"),
    ],
)
async def test_a_number_with_limits(
    bench: ProbeContext, tmp_path: Path, printed: str, limits: dict[str, float], reason: str
) -> None:
    """A number with limits is a condition, with the number as a fact."""
    seen = await observe(bench, program(tmp_path, f"echo {printed}"), **NUMBER, **limits)
    condition = the_condition(seen[:1])
    assert condition.reason == reason
    assert condition.ok is not bool(reason)
    assert condition.facts == (("depth", f"{float(printed):g}"),)


async def test_a_number_with_a_limit_has_a_history(bench: ProbeContext, tmp_path: Path) -> None:
    """The number itself is recorded beside what was decided; not one without a limit above 0, or below 0."""
    key = SeriesKey("tide", "measured depth")
    _, level = await observe(bench, program(tmp_path, "echo 12"), **NUMBER, at_least=11, at_most=10)
    assert level == Level(key, 12.0, 10.0, Unit.COUNT, not_judged=True, limit="at most")
    _, level = await observe(bench, program(tmp_path, "echo 12.4"), **NUMBER, at_least=11.8)
    assert level == Level(key, 12.4, 11.8, Unit.COUNT, not_judged=True, limit="at least")
    assert fill(level) == "12.4, at least 11.8"
    for number, limits in (("12", {"at_least": 0}), ("12", {"at_most": 0}), ("-1", {"at_most": 10})):
        assert len(await observe(bench, program(tmp_path, f"echo {number}"), **NUMBER, **limits)) == 1


@pytest.mark.parametrize(
    ("printed", "why"),
    [
        ("high", 'a single number is expected on standard output, not "high"'),
        ("1 2", "a single number is expected"),
        ("", 'a single number is expected on standard output, not ""'),
        ("nan", "a finite number is expected"),
        ("1e999", "a finite number is expected"),
    ],
)
async def test_no_number(bench: ProbeContext, tmp_path: Path, printed: str, why: str) -> None:
    """Anything but one finite number is refused, and what was printed is told."""
    with pytest.raises(ProbeError, match=why):
        await observe(bench, program(tmp_path, f"echo '{printed}'"), **NUMBER, at_most=1)


async def test_a_level_below_nothing(bench: ProbeContext, tmp_path: Path) -> None:
    """A level cannot be below 0."""
    with pytest.raises(ProbeError, match="printed -3; a level must be 0 or more"):
        await observe(bench, program(tmp_path, "echo -3"), **NUMBER, capacity=1)


async def test_observations(bench: ProbeContext, tmp_path: Path) -> None:
    """JSON of observations goes down the path as it is."""
    said = {"kind": "condition", "subject": "jetty", "quantity": "lamp", "ok": False, "reason": "dark"}
    seen = await observe(bench, program(tmp_path, f"echo '{json.dumps(said)}'"))
    assert seen == [Condition(SeriesKey("jetty", "lamp"), ok=False, reason="dark")]


async def test_no_shell_reads_the_arguments(bench: ProbeContext, tmp_path: Path) -> None:
    """Spaces, quotes, dashes, stars and line breaks reach the program as they are."""
    odd = ("-n", "a b", "$(touch x)", "*", "'; rm -rf /", "line\nbreak", "--", "ü")
    printer = program(
        tmp_path, f'exec {shutil.which("python3")} -c "import json,sys; print(json.dumps(sys.argv[1:]))" "$@"'
    )
    with pytest.raises(ProbeError) as raised:
        await observe(bench, printer, *odd)
    assert "cannot be used" in str(raised.value)  # It printed a list of texts, which are no observations.
    said = tmp_path / "said"
    await observe(bench, program(tmp_path, f'printf "%s\\0" "$@" > {said}; echo "[]"', "keep"), *odd)
    assert said.read_bytes().decode().split("\0")[:-1] == list(odd)
    assert not (tmp_path / "x").exists()


async def test_a_bare_environment(bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of the daemon's environment reaches the program: no secrets, no link to the service manager."""
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/notify")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", "/run/secrets")
    said = tmp_path / "said"
    await observe(bench, program(tmp_path, f"env > {said}; pwd >> {said}; echo '[]'"))
    lines = said.read_text().splitlines()
    assert not any(line.startswith(("NOTIFY_SOCKET", "CREDENTIALS")) for line in lines)
    assert "LC_ALL=C" in lines
    assert lines[-1] == "/"


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ("echo one >&2; echo 'the gauge is stuck' >&2; exit 3", "ended with status 3: the gauge is stuck"),
        ("exit 7", "ended with status 7: it says nothing on standard error"),
        ("kill -9 $$", "was killed by signal 9: it says nothing"),
        (r"printf '\033[31mred\377' >&2; exit 1", r"ended with status 1: \\x1b\[31mred"),
    ],
)
async def test_a_program_that_fails(bench: ProbeContext, tmp_path: Path, body: str, why: str) -> None:
    """Status or signal, and the last line of standard error, in plain signs."""
    with pytest.raises(ProbeError, match=why):
        await observe(bench, program(tmp_path, body))


async def test_another_status_may_be_the_observation(bench: ProbeContext, tmp_path: Path) -> None:
    """grep(1) ends with 1 if it finds nothing: without ok_status a failure that names the key, with it the number 0."""
    log, grep = tmp_path / "log", shutil.which("grep") or ""
    log.write_text("calm\n")
    words = (grep, "-c", "storm", str(log))
    with pytest.raises(ProbeError, match=r"but printed something; if it ran well, set ok_status = \[0, 1\]"):
        await observe(bench, *words, **NUMBER, at_most=0)
    fine = the_condition(await observe(bench, *words, **NUMBER, at_most=0, ok_status=[0, 1]))
    assert (fine.ok, fine.facts) == (True, (("depth", "0"),))
    log.write_text("storm\n")
    assert not the_condition(await observe(bench, *words, **NUMBER, at_most=0, ok_status=[0, 1])).ok
    with pytest.raises(ProbeError, match=r"ended with status 2: .*No such file"):
        await observe(bench, *words[:-1], str(tmp_path / "none"), **NUMBER, at_most=0, ok_status=[0, 1])


async def test_a_program_that_takes_too_long(bench: ProbeContext, tmp_path: Path) -> None:
    """When its time is up it is ended, with what it started."""
    pids = tmp_path / "pids"
    path = program(tmp_path, f"sleep 60 & echo $! > {pids}; echo $$ >> {pids}; wait")
    with pytest.raises(ProbeTimeout, match="did not end within"):
        await observe(bench, path, timeout=0.5)
    assert not any(_at_work(int(pid)) for pid in pids.read_text().split())


def _at_work(pid: int) -> bool:
    """Is there still a process of this id that is more than a zombie?"""
    stat = Path(f"/proc/{pid}/stat")
    return stat.exists() and stat.read_text().rpartition(")")[2].split()[0] != "Z"


async def test_a_program_that_prints_without_end(bench: ProbeContext) -> None:
    """It is ended when it has printed more than it may."""
    with pytest.raises(ProbeError, match="printed more than 64 KiB"):
        await observe(bench, str(shutil.which("yes")))


async def test_a_program_that_is_not_there(bench: ProbeContext, tmp_path: Path) -> None:
    """A missing program, one that may not be run, and one that is none: each is told as what it is."""
    with pytest.raises(ToolMissing, match="does not exist"):
        await observe(bench, str(tmp_path / "nothing"))
    plain = tmp_path / "plain"
    plain.write_text("text")
    with pytest.raises(PrivilegeMissing, match="this user may not run"):
        await observe(bench, str(plain))
    plain.chmod(0o755)
    plain.write_bytes(b"\x7fELF and no more")
    with pytest.raises(ProbeError, match="cannot be run: Exec format error"):
        await observe(bench, str(plain))


async def test_trouble_of_the_workers_is_passed_on(bench: ProbeContext, tmp_path: Path) -> None:
    """A call that hangs is told as that, and not as a program that cannot be run."""

    class Hanging:
        async def call(self, *_: object) -> Any:
            raise ProbeTimeout("it hangs")

    with pytest.raises(ProbeTimeout, match="it hangs"):
        await observe(ProbeContext(bench.clock, Hanging()), program(tmp_path, "echo"))
    assert os.access(tmp_path / "tide-gauge", os.X_OK)


@pytest.mark.parametrize(
    "wrong",
    [
        {"run": []},
        {"run": ["tide-gauge"]},
        {"run": ["/bin/echo", "a\0b"]},
        {"at_most": 3},
        {"format": "number"},
        {"format": "number", "capacity": 1, "at_most": 2},
        {"format": "number", "capacity": 0},
        {"max_output": "2 MiB"},
    ],
)
def test_settings_that_make_no_sense(wrong: dict[str, Any]) -> None:
    """A program without its path, a number without a use, and limits for JSON are refused."""
    with pytest.raises(ValidationError):
        CommandSettings.model_validate({"name": "tide", "run": ["/bin/echo"], **wrong})
