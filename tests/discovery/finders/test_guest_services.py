"""Services in guests, in a network of its own in which the guest has an address: real listeners, and an agent."""

import asyncio
import pickle
from pathlib import Path

import pytest

from tests.discovery.conftest import document, loaded, uncommented, usable
from tests.probes.agents import agent, answers
from tests.probes.apart import run_apart
from tests.probes.machines import short_folder
from watchkeeper.discovery.diff import compare, named
from watchkeeper.discovery.finders.guests import services
from watchkeeper.discovery.finders.web import Service, propose
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Found, Proposal
from watchkeeper.probes.services.tcp import TcpSettings

SCRIPT = """
import asyncio, json, pickle, subprocess, sys
from pathlib import Path
from tests.probes.agents import agent, answers
from watchkeeper.clock import Clock
from watchkeeper.discovery.finders.guests import guests
from watchkeeper.discovery.host import Host
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers

# All addresses of a network on the loopback interface lead to it: 192.0.2.1 is the host's, 192.0.2.7 the guest's.
subprocess.run(["ip", "link", "set", "lo", "up"], check=True, timeout=30)
subprocess.run(["ip", "address", "add", "192.0.2.1/24", "dev", "lo"], check=True, timeout=30)

hosts = []

async def page(reader, writer):
    try:
        said = (await reader.readuntil(b"\\r\\n\\r\\n")).decode()
    except asyncio.IncompleteReadError:
        return writer.close()
    hosts.append(next(line[6:] for line in said.split("\\r\\n") if line.startswith("Host: ")))
    writer.write(b"HTTP/1.1 401 Unauthorized\\r\\nContent-Length: 0\\r\\nConnection: close\\r\\n\\r\\n")
    await writer.drain()
    writer.close()

async def greet(_, writer):
    writer.write(b"SSH-2.0-test\\r\\n")
    writer.close()

async def main(folder):
    root = folder / "root"
    (root / "proc/self").mkdir(parents=True)
    (root / "proc/self/mountinfo").write_text("")
    words = ["qemu-system-x86_64", "-name", "hide-hub", "-chardev", f"socket,id=a,path={folder}/7.agent",
             "-device", "virtserialport,chardev=a,name=org.qemu.guest_agent.0"]
    (root / "proc/7").mkdir()
    (root / "proc/7/cmdline").write_text("\\0".join(words) + "\\0")
    workers = ThreadWorkers()
    host = Host(ProbeContext(Clock(), workers), list, root, folder / "helper.sock")
    async with agent(folder / "7.agent", answers(0)):
        serving = [await asyncio.start_server(page, "192.0.2.7", 8123)]
        serving += [await asyncio.start_server(greet, "192.0.2.7", 22)]
        found = await guests.find(host)
        await asyncio.sleep(0.05)
        for each in serving:
            each.close()
    workers.close()
    print(json.dumps({"proposals": pickle.dumps(found.proposals).hex(), "hosts": hosts}))

asyncio.run(main(Path(sys.argv[1])))
"""


async def test_the_services_of_a_guest() -> None:
    """What answers to a request is proposed as it answered, by the guest's name; another port is offered."""
    async with short_folder() as folder:
        said = await asyncio.to_thread(run_apart, SCRIPT, str(folder), network=True)
    proposals = pickle.loads(bytes.fromhex(said["proposals"]))
    assert said["hosts"] == ["hide-hub:8123"]
    text = document(*proposals)
    (service,) = [each for each in usable(text).probe if each.kind == "http"]
    assert dict(service)["url"] == "http://hide-hub:8123/"
    assert dict(service)["status"] == ("401",)
    assert service.dependencies == ("guest hide-hub",)
    assert "# An HTTP service on port 8123 of the guest hide-hub.\n" in text
    (offered,) = [each for each in loaded(uncommented(text)).probe if each.kind == "tcp"]
    assert (dict(offered)["guest"], dict(offered)["port"]) == ("hide-hub", 22)


async def test_nothing_is_sent_to_guests_without_leave(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither by the daemon's own look at what is not covered, nor with --no-requests."""
    tried: list[int] = []

    async def listens(_address: str, port: int) -> bool:
        tried.append(port)
        return False

    monkeypatch.setattr(services, "_listens", listens)
    monkeypatch.setattr(services, "own_interfaces", list)
    async with short_folder() as folder:
        said = answers(0)
        said["guest-network-get-interfaces"][1]["ip-addresses"][0]["ip-address"] = "10.9.8.7"
        async with agent(folder / "7.agent", said):
            where = {str(folder / "7.agent"): "hide-hub"}
            await services.find_services(quiet(host), where)
            assert tried == []
            await services.find_services(host, where)
            assert sorted(tried) == sorted(services.PORTS)


def quiet(host: Host) -> Host:
    """The host, without leave to send anything."""
    return Host(host.bench, host.ears, host.root, host.helper, ask_web=False)


async def test_a_guest_whose_agent_is_silent_has_no_services(host: Host, tmp_path: Path) -> None:
    """Its address is not known; the probe of agents says so."""
    assert await services.find_services(host, {str(tmp_path / "none.agent"): "hide-hub"}) == ()


@pytest.mark.parametrize(("guest", "called"), [("hide-hub", "hide-hub"), ("Tide log 2", "guest"), ("-x", "guest")])
def test_the_name_in_an_address(guest: str, called: str) -> None:
    """A guest whose name is no host's has a stand-in: what is connected to is the guest's address anyway."""
    assert Service(80, "192.0.2.7", "", guest, inside=True).host == called


def test_what_is_configured_is_not_proposed_again() -> None:
    """By the guest's name and the port; a port of the host itself is another thing."""
    proposal: Proposal = propose(Service(443, "192.0.2.7", "", "hide-hub", inside=True))
    assert proposal.offered
    there = TcpSettings(name="x", guest="hide-hub", port=443)
    assert named(there) == proposal.things
    assert named(TcpSettings(name="x", host="127.0.0.1", port=443)) != proposal.things
    assert compare(Found((proposal,)), [there]).appeared == ()
    assert loaded(document(proposal)) is not None
