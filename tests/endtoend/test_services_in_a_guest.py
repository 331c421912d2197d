"""A web server in a real guest: found, monitored with its tie to the guest, stopped; and the guest's memory.

On request only, for it downloads Debian's packages and makes a network device, as root:
GUEST_TESTS=1 deploy/check tests/endtoend/test_services_in_a_guest.py.
"""

import asyncio
import json
import logging
import os
import socket
import sys
import tomllib
import urllib.request
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tests.support.daemon import Daemon, base
from tests.support.hook_messages import HookMessages, plain
from tests.support.own_network import own_network
from tests.support.receivers import Hook
from tests.support.small_linux import Parts, SmallLinux, boot

pytestmark = [
    pytest.mark.slow,
    pytest.mark.untraced,
    pytest.mark.timeout(1800),
    pytest.mark.skipif(os.environ.get("GUEST_TESTS") != "1", reason="boots a guest on purpose alone: GUEST_TESTS=1"),
]

_log = logging.getLogger(__name__)

MIB = 2**20
DISK = 48 * MIB

CONFIG = (
    base()
    + """
[rules.full]
caution = "never"
warning = "60s"
alarm = "10s"
off_delay = "2s"
[rules.not_answering]
warning = "6s"
alarm = "never"
[rules.faulty]
on_delay = "0s"
[grouping]
flood = 1000
flood_ends = 1000

[[probe]]
kind = "guests"
sockets = ["{folder}/*.qmp"]
every = "2s"

[[probe]]
kind = "guest-agents"
sockets = ["{folder}/*.agent"]
monitors = ["{folder}/*.qmp"]
consoles = ["{folder}/*.log"]
every = "2s"

[[probe]]
kind = "http"
name = "{name}"
url = "{url}"
guest = "{guest}"
every = "2s"
timeout = "2s"

[[notifier]]
kind = "webhook"
url = "{hook}"
"""
)


@pytest.fixture
def network() -> Iterator[tuple[str, ...]]:
    """The options of QEMU for a guest that this host reaches."""
    with own_network("wk0", "10.77.5.1/24"):
        yield ("-netdev", "tap,id=n,ifname=wk0,script=no,downscript=no", "-device", "virtio-net-pci,netdev=n")


def qmp(socket_path: Path, command: str, **arguments: object) -> Any:
    """Ask QEMU through a monitor of the test's own."""
    with socket.socket(socket.AF_UNIX) as monitor, monitor.makefile("rw") as talk:
        monitor.settimeout(30)
        monitor.connect(str(socket_path))
        talk.readline()
        for message in ({"execute": "qmp_capabilities"}, {"execute": command, "arguments": arguments, "id": 1}):
            talk.write(json.dumps(message) + "\n")
            talk.flush()
        while (reply := json.loads(talk.readline())).get("id") != 1:
            pass
    return reply


async def discovered(folder: Path) -> dict[str, Any]:
    """What `watchkeeper discover` proposes for the web server in the guest."""
    written = folder / "found.toml"
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "watchkeeper", "discover", "--write", str(written), stdout=asyncio.subprocess.DEVNULL
    )
    async with asyncio.timeout(180):
        assert await process.wait() == 0
    probes = tomllib.loads(written.read_text())["probe"]
    (service,) = [each for each in probes if each["kind"] == "http" and each.get("guest") == "hide-hub"]
    assert [each["kind"] for each in probes if each["kind"] == "guest-agents"] == ["guest-agents"]
    return dict(service)


async def test_what_runs_in_a_guest(parts: Parts, guest_folder: Path, network: tuple[str, ...]) -> None:
    """Found and proposed, stopped and reported; with its guest stopped, that alone is reported; then the memory."""
    hook, folder = Hook(), guest_folder
    events = HookMessages(hook)
    balloon = ("-device", "virtio-balloon-pci,guest-stats-polling-interval=1")
    control = ("-qmp", f"unix:{folder}/control,server=on,wait=off")
    try:
        async with boot(parts, folder, "hide-hub", DISK, *network, *balloon, *control) as guest:
            await guest.run("ip link set eth0 up; ip addr add 10.77.5.2/24 dev eth0")
            await guest.run("mkdir /www; echo doors and heaters >/www/index.html; httpd -p 80 -h /www")
            service = await discovered(folder)
            assert service["url"] == "http://hide-hub/"
            config = folder / "gannet.toml"
            called = service.get("name", "hide-hub-web")
            config.write_text(CONFIG.format(folder=folder, hook=hook.url, **{**service, "name": called}))
            with await asyncio.to_thread(Daemon.start, config) as daemon:
                await _web(guest, events, called, daemon, folder)
                await _memory(guest, events, folder)
                await _killed(guest, events)
    finally:
        hook.close()


async def _tree(daemon: Daemon) -> str:
    with await asyncio.to_thread(urllib.request.urlopen, f"{daemon.address}api/v1/status", timeout=30) as answer:
        return json.dumps(json.loads(answer.read())["tree"])


async def _web(guest: SmallLinux, events: HookMessages, called: str, daemon: Daemon, folder: Path) -> None:
    subject = f"service {called}"
    await asyncio.sleep(10)
    assert events.about(subject) == []
    tree = await _tree(daemon)
    assert subject in tree[tree.index("guest hide-hub") :]
    await guest.run("kill $(pidof httpd)")
    stopped = await events.message(subject, "answer", 0)
    assert "refused" in stopped["body"]
    await guest.run("httpd -p 80 -h /www")
    await events.message(subject, "answer", 1)
    before = len(events.about(subject))
    await asyncio.to_thread(qmp, folder / "control", "stop")
    paused = await events.message("guest hide-hub", "state", 0)
    assert "paused" in paused["body"]
    await asyncio.sleep(15)
    assert len(events.about(subject)) == before, "the service of a guest that is paused is reported beside it"
    await asyncio.to_thread(qmp, folder / "control", "cont")
    await events.message("guest hide-hub", "state", 1)


async def _memory(guest: SmallLinux, events: HookMessages, folder: Path) -> None:
    """A program takes all that there is; with its memory free again, the balloon is squeezed until little is left."""
    await guest.run("mkdir -p /m; mount -t tmpfs -o size=100% none /m")
    write = "dd if=/dev/zero of=/m/$i bs=1M count=1 2>/dev/null"
    await guest.run(f"(i=0; while [ $i -lt 150 ]; do {write}; i=$((i+1)); sleep 0.4; done; date +%s >/run/full) & true")
    warned = await events.message("guest hide-hub", "memory inside", 0)
    said = await guest.run("while ! [ -s /run/full ]; do sleep 1; done; cat /run/full", 300)
    sent_s, left = datetime.fromisoformat(warned["at"]).timestamp(), await _available(guest)
    _log.info("memory: warned %.0f s before 150 MiB were taken; %d MiB left", float(said.split()[-1]) - sent_s, left)
    await guest.run("rm /m/*")
    await events.message("guest hide-hub", "memory inside", 1)
    assert events.about("guest hide-hub", "balloon") == []
    await asyncio.to_thread(qmp, folder / "control", "balloon", value=112 * MIB)
    await asyncio.sleep(4)
    free = "$(grep MemAvailable /proc/meminfo | tr -dc 0-9)"
    write = "dd if=/dev/zero of=/m/$i bs=256k count=1 2>/dev/null"
    await guest.run(f"i=0; while [ {free} -gt 6500 ]; do {write}; i=$((i+1)); done")
    squeezed = await events.message("guest hide-hub", "balloon", 0)
    assert "its balloon leaves it 112 MiB of 256 MiB" in plain(squeezed)
    await asyncio.to_thread(qmp, folder / "control", "balloon", value=256 * MIB)
    await events.message("guest hide-hub", "balloon", 1)


async def _killed(guest: SmallLinux, events: HookMessages) -> None:
    """A program takes more than there is, and the guest's kernel kills it."""
    assert events.about("guest hide-hub", "memory shortage") == []
    await guest.run("umount /m; echo 4 >/proc/sys/kernel/printk; tail /dev/zero; true")
    killed = await events.message("guest hide-hub", "memory shortage", 0)
    assert "its kernel killed tail for lack of memory, once within 1d" in plain(killed)


async def _available(guest: SmallLinux) -> int:
    """Memory that is available in the guest, in MiB."""
    said = await guest.run("grep MemAvailable /proc/meminfo")
    return int(said.split("MemAvailable:")[-1].split()[0]) // 1024
