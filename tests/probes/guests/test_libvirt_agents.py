"""Agents in guests of libvirt: a private daemon, answers as virsh prints them, and output that it never would."""

import asyncio
import sys
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.probes.guests.libvirtd import Daemon, private_daemon
from tests.probes.hands import SetClock
from watchkeeper.errors import PrivilegeMissing
from watchkeeper.model.observation import Answer, Condition, Level, Observed, Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.privileged import commands
from watchkeeper.privileged.commands import Result
from watchkeeper.privileged.guests import libvirt_agent
from watchkeeper.privileged.guests.agent import LINE_LIMIT_BYTES
from watchkeeper.privileged.guests.libvirt_agent import ORDER, Domain, read_domains, read_replies
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests.agents import libvirt_agents
from watchkeeper.probes.guests.agents.guest_agents import GuestAgentsProbe, GuestAgentsSettings

URI = "qemu:///system"
UUID = "8ad46d69-1575-4f15-a1cd-66ef04f084b5"
CHANNEL = '<channel type="unix"><target type="virtio" name="org.qemu.guest_agent.0"/></channel>'
NEVER = "its agent has never answered: install qemu-guest-agent in it (no agent runs in the guest)"

VIRSH = f"""#!{sys.executable}
import pathlib, sys, time
folder, script = pathlib.Path(__file__).parent, sys.argv[-1]
if "list" in sys.argv:
    print({UUID!r} + " 4 hide-hub" if "--uuid" in sys.argv else "")
elif "domstats" in sys.argv:
    print((folder / "stats").read_text())
elif "snapshot-list" in sys.argv:
    print((folder / "snapshots").read_text() if (folder / "snapshots").exists() else "")
elif (folder / "refusal").exists():
    sys.exit("error: " + (folder / "refusal").read_text())
else:
    for each in script.split("; "):
        word, _, rest = each.partition(" ")
        if word == "echo":
            print(rest, end="")
        else:
            question = rest.partition('"execute": "')[2].partition('"')[0]
            assert rest.split(" ")[:2] == ["--domain", {UUID!r}], rest
            print((folder / question).read_text() + "\\n" if (folder / question).exists() else "", end="")
"""
"""As virsh of libvirt 9.0 was seen to print: a reply and a new line; `echo` without one."""

REPLIES = {
    "guest-get-osinfo": '{"return":{"pretty-name":"Debian of the test","id":"debian"},"id":1}',
    "guest-network-get-interfaces": '{"return":[{"name":"eth0","ip-addresses":[{"ip-address":"10.9.8.7"}]}],"id":2}',
    "guest-get-fsinfo": '{"return":[{"name":"vda","total-bytes":100,"mountpoint":"/srv","used-bytes":30}],"id":3}',
    "guest-get-time": '{"return":1772366400000000000,"id":0}',
}


@pytest.fixture
def tool(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a virsh that prints the files in it."""
    (tmp_path / "virsh").write_text(VIRSH)
    (tmp_path / "virsh").chmod(0o755)
    for name, text in REPLIES.items():
        (tmp_path / name).write_text(text)
    (tmp_path / "stats").write_text("Domain: 'hide-hub'\n  state.state=1\n  state.reason=1\n")
    monkeypatch.setattr("watchkeeper.probes.support.tools.PATH", str(tmp_path))
    monkeypatch.setattr(libvirt_agents, "PATH", str(tmp_path))
    return tmp_path


@pytest.fixture
def still(bench: ProbeContext) -> ProbeContext:
    """A context whose clock stands still, with a memory of its own."""
    return replace(bench, clock=SetClock(), probe_states=MemoryStateStore())


def probe_of(context: ProbeContext, uri: str = URI, **settings: Any) -> GuestAgentsProbe:
    """A probe of libvirt's guests alone."""
    return GuestAgentsProbe(GuestAgentsSettings.model_validate({"libvirt": uri, **settings}), context)


def unseen(seen: list[Observed]) -> dict[str, str]:
    """What could not be looked at -> why."""
    return {one.what: one.why for one in seen if isinstance(one, Unseen)}


@pytest.fixture(scope="module")
def daemon() -> Iterator[Daemon]:
    """A daemon with two guests without a system; one has a channel for an agent."""
    with private_daemon("hide-hub", "tide-log") as found:
        found.define("hide-hub", CHANNEL)
        found.define("tide-log")
        for name in ("hide-hub", "tide-log"):
            found.virsh("start", name)
        yield found


@pytest.mark.timeout(300)
async def test_guests_of_a_real_daemon(bench: ProbeContext, daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """No agent in the guest, no channel to one, and a guest that is paused: each in its words, and none is a fault."""
    context = replace(bench, probe_states=MemoryStateStore())
    assert unseen(list(await probe_of(context, daemon.uri).observe())) == {
        "guest hide-hub: what is inside it": NEVER,
        "guest tide-log: what is inside it": libvirt_agents.NO_CHANNEL,
    }
    daemon.virsh("suspend", "hide-hub")
    seen = list(await probe_of(context, daemon.uri, exclude=["tide-*"]).observe())
    assert unseen(seen) == {"guest hide-hub: what is inside it": "the guest is not running"}
    daemon.virsh("resume", "hide-hub")
    monkeypatch.setattr(libvirt_agent, "printed", partial(libvirt_agent.printed, uri=daemon.uri))
    monkeypatch.setattr(libvirt_agent, "list_domains", partial(libvirt_agent.list_domains, daemon.uri))
    results = await asyncio.to_thread(commands.collect, "libvirt-agents")
    assert sorted(each.target.split(" ")[1] for each in results) == ["hide-hub", "tide-log"]
    assert all(b"agent is not" in each.ran.stderr for each in results)


async def test_what_is_inside(still: ProbeContext, tool: Path) -> None:
    """The same series as through a socket, from what virsh prints."""
    seen = list(await probe_of(still).observe())
    (level,) = [one for one in seen if isinstance(one, Level)]
    assert (str(level.key), level.used, level.capacity) == ("guest hide-hub: space on /srv", 30, 100)
    (answer,) = [one for one in seen if isinstance(one, Answer)]
    assert (str(answer.key), answer.answered) == ("guest hide-hub: agent", True)
    found = {one.key.quantity: one.ok for one in seen if isinstance(one, Condition)}
    assert found == {"boot": True, "clock": False, "network": True}
    assert still.guest_addresses.of("hide-hub") == ("10.9.8.7",)
    (tool / "guest-get-fsinfo").unlink()
    assert unseen(list(await probe_of(still).observe())) == {
        "guest hide-hub: file systems": "the agent did not answer guest-get-fsinfo"
    }


async def test_space_that_is_freed_inside(still: ProbeContext, tool: Path) -> None:
    """It is compared with an image of which libvirt knows no snapshot, and which lies on no other."""
    gib = 2**30
    disk = f"  block.count=1\n  block.0.name=vda\n  block.0.path=/srv/a\n  block.0.capacity={8 * gib}\n"
    stats = "Domain: 'hide-hub'\n  state.state=1\n" + disk + f"  block.0.physical={6 * gib}\n"
    (tool / "stats").write_text(stats)
    files = f'{{"name":"vda","total-bytes":{8 * gib},"mountpoint":"/","used-bytes":{gib}}}'
    (tool / "guest-get-fsinfo").write_text(f'{{"return":[{files}],"id":3}}')

    async def trimmed(probe: GuestAgentsProbe) -> list[str]:
        found = [one for one in await probe.observe() if isinstance(one, Condition)]
        return [one.reason for one in found if one.key.quantity == "trimmed space"]

    probe, why = probe_of(still), "5 GiB are free in the guest and still taken below it: trim it"
    assert await trimmed(probe) == [why]
    (tool / "snapshots").write_text("before upgrade")
    assert await trimmed(probe) == [why], "it is asked rarely"
    assert isinstance(still.clock, SetClock)
    still.clock.advance(901)
    assert await trimmed(probe) == []
    (tool / "snapshots").write_text("")
    (tool / "stats").write_text(stats.replace("count=1", "count=2") + "  block.1.name=vda\n  block.1.path=/srv/b\n")
    assert await trimmed(probe_of(still)) == []
    (tool / "stats").write_text(stats)
    (tool / "virsh").write_text(VIRSH.replace('elif "snapshot-list"', 'elif "nothing"'))
    assert await trimmed(probe_of(still)) == []


async def test_an_agent_that_stops(still: ProbeContext, tool: Path) -> None:
    """One that answered and does not now is a fault; in a guest that was started since, only after a while."""
    probe = probe_of(still)
    await probe.observe()
    (tool / "refusal").write_text("Guest agent is not responding: QEMU guest agent is not connected")
    (answer,) = await probe.observe()
    assert isinstance(answer, Answer)
    assert (answer.answered, answer.reason) == (False, "no agent runs in the guest, and the guest is running")
    (tool / "refusal").write_text("Guest agent is not responding: Guest agent not available for now")
    (answer,) = await probe.observe()
    assert isinstance(answer, Answer)
    assert answer.reason == "its agent did not answer within 8s"
    (tool / "virsh").write_text(VIRSH.replace(" 4 hide-hub", " 5 hide-hub"))
    (boot, hidden) = await probe.observe()
    assert isinstance(boot, Condition)
    assert boot.ok
    assert isinstance(hidden, Unseen)
    assert isinstance(still.clock, SetClock)
    still.clock.advance(601)
    (boot, _) = await probe.observe()
    assert isinstance(boot, Condition)
    assert boot.reason == (
        "it runs since 2026-03-01 12:00 UTC at the latest and its agent has not answered since: look at its console"
    )


async def test_the_helper_asks_for_a_user_who_may_not(
    still: ProbeContext, tool: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The replies from root; its failure, or another address than the helper's, is one line for all guests."""
    said = libvirt_agent.printed(UUID, URI, str(tool)).encode()
    (tool / "refusal").write_text("authentication unavailable: no polkit agent available")
    asked: list[str] = []
    results = [
        Result("4 hide-hub", Completed(0, said)),
        Result("x tide-log", Completed(1, b"", b"Guest agent is not responding: QEMU guest agent is not connected\n")),
        Result("6 nest-cams", Completed(0, b"no JSON")),
        Result("7 ringing-db", Completed(1)),
        Result("8 mail", Completed(None, timed_out=True)),
    ]

    async def ask_root(_: object, entry: str, *_more: object) -> list[Result]:
        asked.append(entry)
        if not results:
            raise PrivilegeMissing("no helper")
        return results

    monkeypatch.setattr(libvirt_agents, "ask_root", ask_root)
    seen = list(await probe_of(still).observe())
    assert [str(one.key) for one in seen if isinstance(one, Answer)] == ["guest hide-hub: agent"]
    what = unseen(seen)
    assert what["guest tide-log: what is inside it"] == NEVER
    assert "install the same version of both" in what["guest nest-cams: what is inside it"]
    assert "its agent did not answer" in what["guest ringing-db: what is inside it"]
    assert "the helper had no answer about it within 20s" in what["guest mail: what is inside it"]
    results[:] = [Result("", Completed(1, b"", b"error: Failed to connect socket\n"))]
    assert unseen(list(await probe_of(still).observe())) == {
        "agents in guests of libvirt at qemu:///system": "virsh ended with status 1: error: Failed to connect socket"
    }
    results.clear()
    assert list(unseen(list(await probe_of(still).observe())).values()) == ["no helper"]
    assert asked == ["libvirt-agents"] * 3
    (line,) = unseen(list(await probe_of(still, "qemu:///session").observe())).values()
    assert line.endswith("no polkit agent available; the helper asks only qemu:///system")


async def test_without_guests_or_without_virsh(still: ProbeContext, tool: Path) -> None:
    """No guest that runs is nothing to report; no tool is one line with its package."""
    (tool / "virsh").write_text("#!/bin/sh\n")
    assert await probe_of(still).observe() == []
    (tool / "virsh").unlink()
    (line,) = unseen(list(await probe_of(still).observe())).values()
    assert "in Debian: libvirt-clients" in line
    (tool / "virsh").write_text("")
    (line,) = unseen(list(await probe_of(still).observe())).values()
    assert line.startswith("virsh cannot be started")


def test_settings() -> None:
    """Sockets, or libvirt."""
    with pytest.raises(ValidationError, match="neither sockets nor libvirt"):
        GuestAgentsSettings.model_validate({})


def test_what_the_helper_does_for_each(tool: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """JSON, or the reason and status 1; whatever is no UUID is refused."""
    monkeypatch.setattr(libvirt_agent, "printed", partial(libvirt_agent.printed, path=str(tool)))
    assert libvirt_agent.ask(UUID).stdout.startswith(b'{"replies": {"guest-get-osinfo": ')
    (tool / "virsh").write_text("")
    assert libvirt_agent.ask(UUID) == Completed(1, b"", b"Exec format error")
    (tool / "virsh").unlink()
    assert libvirt_agent.ask(UUID) == Completed(1, b"", b"virsh is not installed")
    assert libvirt_agent.ask("hide-hub; shutdown hide-hub") == Completed(1, b"", b"this is no UUID of a guest")


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("yes", "its agent sends data without end"),
        ("head -c 300000 /dev/zero; echo $mark", "its agent sends a line without end"),
        ("exit 1", "it does not answer"),
    ],
)
def test_a_guest_that_sends_too_much_or_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, line: str, why: str
) -> None:
    """It is ended, and the reason is all that comes of it."""
    monkeypatch.setattr(libvirt_agent, "PATIENCE_S", 20.0)
    (tmp_path / "virsh").write_text(f"#!/bin/sh\nPATH=/usr/bin:/bin; mark=${{4##* }}; {line}\n")
    (tmp_path / "virsh").chmod(0o755)
    with pytest.raises(ValueError, match=why):
        libvirt_agent.printed(UUID, URI, str(tmp_path))


MARK = "0f" * 16


@given(st.lists(st.binary(max_size=50) | st.just(MARK.encode()), max_size=12))
def test_whatever_comes_back(parts: list[bytes]) -> None:
    """Only the fixed questions have replies, and a part that no mark ends is none."""
    found = read_replies(b"".join(parts), MARK)
    assert list(found) == [each for each in ORDER if each in found]
    assert len(found) <= parts.count(MARK.encode())
    assert all(len(each) <= LINE_LIMIT_BYTES for each in found.values())


@given(st.text())
def test_whatever_is_listed(text: str) -> None:
    """Only lines with a UUID, a number and a name are guests."""
    listed = f"{UUID} 4 hide-hub\n{UUID} x tide-log\n{text}".encode("utf-8", "surrogateescape")
    assert next(read_domains(listed)) == Domain(UUID, 4, "hide-hub")
