"""Root's questions to the agent in a guest, and what a hostile guest can make of them."""

import asyncio
import json
import os
import stat
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.agents import agent, answers, real_agent
from tests.probes.machines import short_folder
from tests.support.needs import need
from watchkeeper.privileged import commands
from watchkeeper.privileged.guests import agent as roots
from watchkeeper.privileged.guests.agent import LINE_LIMIT_BYTES, QUESTIONS, STALE_LIMIT_BYTES, Conversation
from watchkeeper.probes.guests.agents.agent import read_printed

SENT = ("guest-sync-delimited", *QUESTIONS)


@pytest.fixture
async def folder() -> AsyncIterator[Path]:
    """Where the guests' sockets are."""
    async with short_folder() as made:
        yield made


async def ask(path: Path) -> Conversation:
    """Ask from a thread, as the program does from its main one."""
    return await asyncio.to_thread(roots.ask, str(path))


async def test_a_real_agent_through_the_list(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The entry of the fixed list asks a real qemu-ga, as a program of its own, and its answer is understood."""
    need(os.geteuid() == 0, "the file of patterns must belong to root")
    (folder / "list").write_text(f"{folder}/*.agent\n")
    (folder / "list").chmod(0o644)
    monkeypatch.setattr(commands, "AGENTS", folder / "list")
    async with real_agent(folder / "hide-hub.agent"):
        (result,) = await asyncio.to_thread(commands.collect, "guest-agents")
    assert result.target == f"{folder}/hide-hub.agent"
    report = read_printed(result.ran.stdout)
    here = os.statvfs("/")
    root = {each.point: each for each in report.filesystems}.get("/")
    if root is not None:  # A container's root has no block device of its own.
        used = (here.f_blocks - here.f_bfree) * here.f_frsize
        assert root.total_bytes == pytest.approx(used + here.f_bavail * here.f_frsize, rel=0.02)
    assert report.ahead_s == pytest.approx(0, abs=10)
    assert os.uname().release in report.system


async def test_only_the_fixed_questions_are_sent(folder: Path) -> None:
    """Whatever comes back: the reply that repeats the number is waited for, and nothing else is asked."""
    late = b'{"return": {}}\n\xff{"return": 1}\n{"error": {"class": "GenericError", "desc": "x"}}\n'
    async with agent(folder / "a", answers(0), before=late) as asked:
        talk = await ask(folder / "a")
    assert tuple(asked) == SENT
    assert {question: json.loads(line)["return"] for question, line in talk.replies.items()} == answers(0)


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"guest-get-time": b"x" * (LINE_LIMIT_BYTES + 70_000)}, "without end"),
        ({"guest-get-time": b'{"return": 1}\n{"return": 2}\n'}, "more than it was asked"),
    ],
)
async def test_more_than_was_asked_for(folder: Path, said: dict[str, bytes], why: str) -> None:
    """A line without end, and a second reply, end the conversation."""
    async with agent(folder / "a", said):
        with pytest.raises(ValueError, match=why):
            await ask(folder / "a")


async def test_data_without_end(folder: Path) -> None:
    """A guest that sends anything but the number, with and without line ends, is left after a megabyte."""
    for noise in (
        b"x" * (STALE_LIMIT_BYTES + LINE_LIMIT_BYTES + 70_000),
        b"\xff{}\n" * (STALE_LIMIT_BYTES // 4 + 20_000),
    ):
        async with agent(folder / "a", {}, before=noise):
            with pytest.raises(ValueError, match="data without end"):
                await ask(folder / "a")
        (folder / "a").unlink(missing_ok=True)


def test_a_reply_in_pieces_after_an_unfinished_line() -> None:
    """The reply counts from its sentinel on, whatever came before it on the line, and however slowly it comes."""
    talk = Conversation(lambda: 0.0)
    number = json.loads(talk.begin()[1:])["arguments"]["id"]
    said = b'{"return": [1, 2\xff{"ret\xff{"return": %d}\n' % number
    sent = [talk.receive(said[at : at + 1]) for at in range(len(said))]
    assert b"".join(sent[:-1]) == b""
    assert json.loads(sent[-1])["execute"] == QUESTIONS[0]
    late = b"x" * (LINE_LIMIT_BYTES + 1)
    again = Conversation(lambda: 0.0)
    number = json.loads(again.begin()[1:])["arguments"]["id"]
    assert again.receive(late) == b""
    assert again.receive(b'\xff{"return": %d}\n' % number)


async def test_slow_and_mute(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that never answers is an error; one that leaves a question open keeps the answers before it."""
    monkeypatch.setattr(roots, "PATIENCE_S", 0.3)
    async with agent(folder / "a", {}, mute=True):
        with pytest.raises(ValueError, match="does not answer"):
            await ask(folder / "a")
    async with agent(folder / "b", {"guest-get-time": 1}) as asked:
        talk = await ask(folder / "b")
    assert list(talk.replies) == ["guest-get-time"]
    assert asked == list(SENT[:3])
    monkeypatch.setattr(roots, "PATIENCE_S", -1)
    async with agent(folder / "c", {}):
        with pytest.raises(ValueError, match=r"does not answer|Timeout"):
            await ask(folder / "c")


async def test_it_closes(folder: Path) -> None:
    """A guest that stops in the middle."""
    connected = asyncio.Event()

    async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connected.set()
        writer.close()

    async with await asyncio.start_unix_server(serve, folder / "a"):
        with pytest.raises((ValueError, ConnectionError)):
            await ask(folder / "a")
    assert connected.is_set()


async def test_as_a_program(folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """It prints JSON and ends well, or says why not on standard error and ends with 1."""
    monkeypatch.setattr(sys, "argv", ["agent", str(folder / "a")])
    async with agent(folder / "a", answers(0)):
        assert await asyncio.to_thread(roots.main) == 0
    assert set(json.loads(capsys.readouterr().out)["replies"]) == set(QUESTIONS)
    (folder / "a").unlink(missing_ok=True)
    assert roots.main() == 1
    assert capsys.readouterr().err == "No such file or directory\n"
    (folder / "a").touch()
    assert roots.main() == 1
    assert capsys.readouterr().err == "it is no socket\n"
    assert stat.S_ISREG((folder / "a").stat().st_mode)


@given(parts=st.lists(st.binary(max_size=200), max_size=30), answered=st.booleans())
def test_whatever_a_guest_sends(parts: list[bytes], *, answered: bool) -> None:
    """Only the fixed questions are ever sent, and in their order; what is held stays within its bounds."""
    talk = Conversation(lambda: 0.0)
    number = json.loads(talk.begin()[1:])["arguments"]["id"]
    sent = []
    if answered:
        sent.append(talk.receive(b'\xff{"return": %d}\n' % number))
    try:
        for part in parts:
            if talk.complete:
                break
            sent.append(talk.receive(part))
    except ValueError:
        pass
    asked = [json.loads(each)["execute"] for each in sent if each]
    assert asked == list(QUESTIONS[: len(asked)])
    assert len(talk.replies) <= len(QUESTIONS)
    assert talk.synced == bool(asked)
