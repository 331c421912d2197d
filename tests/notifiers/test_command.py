"""The command notifier with real programs: their input, exit status, time, and what they leave behind."""

import asyncio
import json
import os
import sys
from pathlib import Path

import psutil
import pytest
from pydantic import ValidationError

from tests.support.messages import messages
from tests.support.outbox import SetClock
from watchkeeper.errors import DeliveryDeferred, DeliveryRefused
from watchkeeper.model.alert import Priority
from watchkeeper.notifiers import cloudevent
from watchkeeper.notifiers.command import Command, CommandSettings
from watchkeeper.notifiers.registry import make_notifier


def program(folder: Path, text: str) -> Path:
    """A program in Python."""
    path = folder / "lamp"
    path.write_text(f"#!{sys.executable}\nimport os, subprocess, sys, time\n{text}\n", encoding="utf-8")
    path.chmod(0o755)
    return path


def lamp(*run: object, timeout: str = "20s") -> Command:
    """A notifier that runs these words."""
    words = [str(each) for each in run]
    return Command(
        CommandSettings.model_validate({"kind": "command", "name": "lamp", "run": words, "timeout": timeout}),
        SetClock(),
    )


async def test_the_message_comes_on_standard_input(tmp_path: Path) -> None:
    """The program reads the same object as a webhook's data; its arguments are not interpreted by a shell."""
    path = program(tmp_path, f"open({str(tmp_path / 'got')!r}, 'w').write(sys.argv[1] + sys.stdin.read())")
    for message in messages():
        await lamp(path, "$HOME; echo").deliver(message)
        got = (tmp_path / "got").read_text().removeprefix("$HOME; echo")
        assert json.loads(got) == cloudevent.as_event(message)["data"]
        assert got.count("\n") == 1


@pytest.mark.parametrize("status", [1, 2, 64, 66, 69, 70, 75, 78, 126, 127, 255])
async def test_what_the_operator_can_repair_is_tried_again(tmp_path: Path, status: int) -> None:
    """sysexits(3): 75 means try again; the others are faults that an operator can fix."""
    path = program(tmp_path, f"print('starting', file=sys.stderr); sys.exit({status})")
    with pytest.raises(DeliveryDeferred, match=f"lamp: .*lamp ended with status {status}: starting$"):
        await lamp(path).deliver(messages()[0])


async def test_data_that_is_wrong_is_refused(tmp_path: Path) -> None:
    """sysexits(3), EX_DATAERR 65: the input data was incorrect; the same try will never work."""
    path = program(tmp_path, "print('first\\nno such lamp', file=sys.stderr); sys.exit(65)")
    with pytest.raises(DeliveryRefused, match=r"ended with status 65: no such lamp$"):
        await lamp(path).deliver(messages()[0])


async def test_a_signal_is_told(tmp_path: Path) -> None:
    """A program that was killed may work another time."""
    path = program(tmp_path, "os.kill(os.getpid(), 9)")
    with pytest.raises(DeliveryDeferred, match="was killed by signal 9: nothing on standard error"):
        await lamp(path).deliver(messages()[0])


@pytest.mark.parametrize("mode", [None, 0o644])
async def test_a_program_that_cannot_be_run(tmp_path: Path, mode: int | None) -> None:
    """Not there, or not a program: deferred, with the reason."""
    path = tmp_path / "lamp"
    if mode:
        path.write_text("nothing")
        path.chmod(mode)
    with pytest.raises(DeliveryDeferred, match=r"lamp cannot be run: (No such file or directory|Permission denied)"):
        await lamp(path).deliver(messages()[0])


async def test_a_program_that_does_not_end_is_ended_with_its_children(tmp_path: Path) -> None:
    """When its time is up none of its processes run any more, and the delivery is deferred."""
    path = program(
        tmp_path,
        f"child = subprocess.Popen(['sleep', '600'])\n"
        f"open({str(tmp_path / 'child')!r}, 'w').write(str(child.pid))\ntime.sleep(600)",
    )
    with pytest.raises(DeliveryDeferred, match="lamp did not end within 1s"):
        await lamp(path, timeout="1s").deliver(messages()[0])
    await gone(int((tmp_path / "child").read_text()))


async def gone(pid: int) -> None:
    """Wait until a process has ended."""
    async with asyncio.timeout(30):
        while psutil.pid_exists(pid) and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE:  # noqa: ASYNC110  another process
            await asyncio.sleep(0.01)


async def test_what_it_leaves_behind_does_not_hold_the_delivery_up(tmp_path: Path) -> None:
    """A child that holds standard error open is ended after the program has ended successfully."""
    path = program(
        tmp_path,
        f"child = subprocess.Popen(['sleep', '600'])\nopen({str(tmp_path / 'child')!r}, 'w').write(str(child.pid))",
    )
    async with asyncio.timeout(30):
        await lamp(path).deliver(messages()[0])
    await gone(int((tmp_path / "child").read_text()))


async def test_output_without_end_is_not_kept(tmp_path: Path) -> None:
    """A program that prints endlessly does not fill the memory, and is ended when its time is up."""
    path = program(tmp_path, "while True: os.write(2, b'dark ' * 10_000); os.write(1, b'light ' * 10_000)")
    before = psutil.Process().memory_info().rss
    with pytest.raises(DeliveryDeferred, match="did not end within 1s"):
        await lamp(path, timeout="1s").deliver(messages()[0])
    assert psutil.Process().memory_info().rss - before < 50 * 2**20


async def test_each_delivery_reads_what_its_own_program_says(tmp_path: Path) -> None:
    """More than fits into a pipe (64 KiB, pipe(7)), three times: none waits for a reader, though handles are reused."""
    path = program(tmp_path, "sys.stderr.write('x' * 300_000 + '\\n' + sys.argv[1] + '\\n'); sys.exit(65)")
    for said in ("first", "second", "third"):
        with pytest.raises(DeliveryRefused, match=f"ended with status 65: {said}$"):
            await lamp(path, said).deliver(messages()[0])


async def test_a_program_need_not_read(tmp_path: Path) -> None:
    """One that closes its input and exits with 0 has delivered."""
    await lamp(program(tmp_path, "os.close(0)")).deliver(messages()[0])


async def test_its_environment_is_fixed(tmp_path: Path) -> None:
    """Nothing of the daemon's own environment, which may contain the paths of credentials, is passed on."""
    os.environ["SKERRY_TOKEN"] = "s3cret"
    try:
        path = program(tmp_path, "sys.exit(1 if 'SKERRY_TOKEN' in os.environ or os.getcwd() != '/' else 0)")
        await lamp(path).deliver(messages()[0])
    finally:
        del os.environ["SKERRY_TOKEN"]


@pytest.mark.parametrize(
    ("run", "said"),
    [
        ([], "absolute path of the program"),
        (["lamp"], "absolute path of the program"),
        (["/bin/lamp", "a\0b"], "NUL"),
    ],
)
def test_words_that_cannot_be_run(run: list[str], said: str) -> None:
    """Shell syntax does not work here, and is reported before anything starts."""
    with pytest.raises(ValidationError, match=said):
        CommandSettings.model_validate({"kind": "command", "run": run})


async def test_it_is_in_the_table() -> None:
    """It is created from its settings like every notifier."""
    settings = CommandSettings.model_validate({"kind": "command", "run": ["/bin/true"], "at_least": "alarm"})
    made = make_notifier(settings, SetClock())
    assert (made.name, made.at_least) == ("command", Priority.ALARM)
    await made.close()


async def test_what_left_its_session_is_ended_too(tmp_path: Path) -> None:
    """A program that detaches another one from its session and its parent leaves nothing behind."""
    left = tmp_path / "left"
    path = tmp_path / "lamp"
    path.write_text(f"#!/bin/sh\nenv -i setsid sleep 600 &\necho $! > {left}\n", encoding="ascii")
    path.chmod(0o755)
    await lamp(path).deliver(messages()[0])
    assert not psutil.pid_exists(int(left.read_text(encoding="ascii")))
