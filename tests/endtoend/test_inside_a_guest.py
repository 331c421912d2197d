"""A real guest under QEMU and a real daemon: what goes wrong inside the guest is reported, and what is repaired too.

On request only, for it downloads Debian's packages: GUEST_TESTS=1 deploy/check tests/endtoend/test_inside_a_guest.py.
The guest is emulated: it boots in 15 s on the development machine, and the whole story takes about three minutes.
"""

import asyncio
import logging
import os
import time
from datetime import datetime
from pathlib import Path

import pytest

from tests.support.daemon import Daemon, base
from tests.support.hook_messages import HookMessages, plain
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
DISK = 96 * MIB
DEVICES = ("-nic", "user,model=virtio-net-pci")

CONFIG = (
    base()
    + """
[rules.full]
caution = "never"
warning = "60s"
alarm = "15s"
off_delay = "2s"

[rules.not_answering]
warning = "5s"
alarm = "never"

[rules.faulty]
on_delay = "0s"

[grouping]
flood = 1000
flood_ends = 1000

[[probe]]
kind = "guest-agents"
sockets = ["{folder}/*.agent"]
monitors = ["{folder}/*.qmp"]
every = "2s"
timeout = "5s"
start_limit = "60s"
trim_least = "20 MiB"

[[notifier]]
kind = "webhook"
url = "{hook}"
"""
)


GUEST = "guest hide-hub"


async def test_the_story_of_a_guest(parts: Parts, guest_folder: Path) -> None:
    """Filled from inside, trimmed, its clock set wrong, its network taken away, its agent killed, and not booted."""
    hook, folder = Hook(), guest_folder
    config = folder / "gannet.toml"
    config.write_text(CONFIG.format(folder=folder, hook=hook.url))
    watched = HookMessages(hook)
    try:
        async with boot(parts, folder, "hide-hub", DISK, *DEVICES) as guest:
            await guest.run("ip link set eth0 up; ip addr add 10.0.2.15/24 dev eth0")
            with await asyncio.to_thread(Daemon.start, config):
                await _story(guest, watched, folder)
        await _a_start_that_ends_nowhere(parts, folder, config, watched)
    finally:
        hook.close()


async def _story(guest: SmallLinux, watched: HookMessages, folder: Path) -> None:
    await _clock(guest, watched)
    await _network(guest, watched)
    await _fill(guest, watched)
    await _trim(guest, watched, folder)
    await guest.run("kill $(pidof qemu-ga)")
    stopped = await watched.message(GUEST, "agent", 0)
    assert "no agent runs in the guest" in plain(stopped)


async def _clock(guest: SmallLinux, watched: HookMessages) -> None:
    await asyncio.sleep(6)
    assert watched.about(GUEST, "clock") == []
    await guest.run("date -s @$(($(date +%s) - 3600))")
    wrong = await watched.message(GUEST, "clock", 0)
    assert "behind the host" in plain(wrong)
    await guest.run("date -s @$(($(date +%s) + 3600))")
    await watched.message(GUEST, "clock", 1)


async def _network(guest: SmallLinux, watched: HookMessages) -> None:
    assert watched.about(GUEST, "network") == []
    await guest.run("ip addr flush dev eth0")
    await watched.message(GUEST, "network", 0)
    await guest.run("ip addr add 10.0.2.15/24 dev eth0")
    await watched.message(GUEST, "network", 1)


async def _fill(guest: SmallLinux, watched: HookMessages) -> None:
    """About a MiB a second until it is full: the warning comes before, and the time that it gives is about right."""
    key = "space on /srv"
    write = "dd if=/dev/zero of=/srv/f$i bs=256k count=1 2>/dev/null"
    await guest.run(f"(i=0; while {write}; do i=$((i+1)); sleep 0.2; done; date +%s >/run/full) & true")
    warned = await watched.message(GUEST, key, 0)
    assert warned["priority"] == "warning"
    said = await guest.run("while ! [ -s /run/full ]; do sleep 1; done; cat /run/full", 300)
    full_s = float(said.split()[-1])
    sent_s = datetime.fromisoformat(warned["at"]).timestamp()
    told_s = datetime.fromisoformat(warned["likely_at"]).timestamp()
    said = f"warned {full_s - sent_s:.0f} s before it was full; the time given was {told_s - full_s:+.0f} s off"
    assert sent_s < full_s, said
    assert abs(told_s - full_s) < 0.35 * (full_s - sent_s) + 10, said
    _log.info(said)


async def _trim(guest: SmallLinux, watched: HookMessages, folder: Path) -> None:
    """Files are deleted, and their blocks stay on the host until the guest trims."""
    taken = (folder / "hide-hub.raw").stat().st_blocks * 512
    await guest.run("rm /srv/f*; sync")
    held = await watched.message(GUEST, "trimmed space", 0)
    assert "are free in the guest and still taken below it: trim it" in plain(held)
    assert (folder / "hide-hub.raw").stat().st_blocks * 512 > 0.9 * taken
    await guest.run("fstrim /srv; sync")
    await watched.message(GUEST, "trimmed space", 1)
    assert (folder / "hide-hub.raw").stat().st_blocks * 512 < 0.5 * taken


async def _a_start_that_ends_nowhere(parts: Parts, folder: Path, config: Path, watched: HookMessages) -> None:
    """The guest is started again, and its agent never comes: reported once the limit is over, as a boot."""
    for socket in ("qmp", "agent", "console"):
        (folder / f"hide-hub.{socket}").unlink(missing_ok=True)
    began_s, before = time.time(), len(watched.about(GUEST, "boot"))
    async with boot(parts, folder, "hide-hub", DISK, append="noagent"):
        with await asyncio.to_thread(Daemon.start, config):
            late = await watched.message(GUEST, "boot", before)
    assert "its agent has not answered since" in plain(late)
    assert time.time() - began_s > 60
