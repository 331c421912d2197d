"""A real guest of a real libvirt, seen through its agent: space that is taken inside, an agent that is stopped.

On request only, for it downloads Debian's packages: GUEST_TESTS=1 deploy/check tests/endtoend/test_libvirt_guest.py.
"""

import asyncio
import os
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest

from tests.probes.guests.libvirtd import Daemon, private_daemon
from tests.support.small_linux import Parts, SmallLinux
from tests.support.waiting import until
from watchkeeper.clock import Clock
from watchkeeper.model.observation import Answer, Condition, Level, Observed
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.privileged.guests import libvirt_agent
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests.agents.agent import read_printed
from watchkeeper.probes.guests.agents.guest_agents import GuestAgentsProbe, GuestAgentsSettings
from watchkeeper.probes.support.workers import ThreadWorkers

pytestmark = [
    pytest.mark.slow,
    pytest.mark.untraced,
    pytest.mark.timeout(900),
    pytest.mark.skipif(os.environ.get("GUEST_TESTS") != "1", reason="boots a guest on purpose alone: GUEST_TESTS=1"),
]

MIB = 2**20
DOMAIN = """
<domain type="qemu"><name>hide-hub</name><memory unit="MiB">256</memory><vcpu>1</vcpu>
<os><type arch="x86_64" machine="pc">hvm</type><kernel>{folder}/vmlinuz</kernel><initrd>{folder}/initrd</initrd>
<cmdline>console=ttyS0 quiet panic=-1</cmdline></os><cpu mode="maximum"/>
<devices><emulator>/usr/bin/qemu-system-x86_64</emulator>
<disk type="file" device="disk"><driver name="qemu" type="raw" discard="unmap"/><source file="{folder}/hide-hub.raw"/>
<target dev="vda" bus="virtio"/></disk>
<channel type="unix"><target type="virtio" name="org.qemu.guest_agent.0"/></channel>
<serial type="unix"><source mode="bind" path="{folder}/run/console"/></serial></devices></domain>
"""


@pytest.fixture(scope="module")
def daemon(parts: Parts) -> Iterator[Daemon]:
    """A daemon with one guest that boots."""
    with private_daemon("hide-hub") as found:
        for source, name in ((parts.kernel, "vmlinuz"), (parts.initrd, "initrd")):
            shutil.copy(source, found.folder / name)
            (found.folder / name).chmod(0o644)
        disk = found.folder / "hide-hub.raw"
        with disk.open("wb") as file:
            file.truncate(64 * MIB)
        subprocess.run(["mkfs.ext4", "-m", "0", "-E", "nodiscard", "-q", disk], check=True, timeout=60)
        disk.chmod(0o666)
        found.define_as("hide-hub", DOMAIN.format(folder=found.folder))
        found.virsh("start", "hide-hub")
        yield found


def space(seen: Sequence[Observed]) -> tuple[float, float]:
    """Used and total of the guest's file system."""
    (level,) = [one for one in seen if isinstance(one, Level)]
    assert str(level.key) == "guest hide-hub: space on /srv"
    return level.used, level.capacity


def faults(seen: Sequence[Observed]) -> dict[str, str]:
    """Quantity -> why it is not OK."""
    found = [one for one in seen if isinstance(one, (Answer, Condition))]
    return {one.key.quantity: one.reason for one in found if one.reason}


async def test_inside_a_guest_of_libvirt(daemon: Daemon) -> None:
    """What df(1) in the guest prints; a clock that is wrong, and an agent that is ended."""
    console = daemon.folder / "run/console"
    await asyncio.to_thread(until, "the console", console.exists)
    guest = await SmallLinux.attach(console)
    workers = ThreadWorkers()
    context = replace(ProbeContext(Clock(), workers), probe_states=MemoryStateStore())
    probe = GuestAgentsProbe(
        GuestAgentsSettings.model_validate({"libvirt": daemon.uri, "trim_least": "10 MiB"}), context
    )
    seen = await probe.observe()
    before, total = space(seen)
    assert faults(seen) == {"network": "none of its interfaces has an address that another host can reach"}
    await guest.run("dd if=/dev/zero of=/srv/a bs=1M count=20 2>/dev/null; sync")
    used, _ = space(await probe.observe())
    said = await guest.run("df -k /srv | tail -1")
    blocks, taken, free = map(int, said.split("/dev/vda")[-1].split()[:3])
    assert used == taken * 1024
    assert total == (taken + free) * 1024
    assert blocks * 1024 >= total
    assert used - before == pytest.approx(20 * MIB, rel=0.05)
    await _trim(guest, probe)
    await guest.run("date -s @$(($(date +%s) - 3600))")
    assert faults(await probe.observe())["clock"].startswith("its clock is 1h")
    await _through_the_helper(daemon)
    await guest.run("kill $(pidof qemu-ga); sleep 1")
    assert faults(await probe.observe()) == {"agent": "no agent runs in the guest, and the guest is running"}
    guest.detach()
    workers.close()


async def _trim(guest: SmallLinux, probe: GuestAgentsProbe) -> None:
    """What is deleted in the guest and still taken by its image, which has no snapshots; then it is trimmed."""
    assert "trimmed space" not in faults(await probe.observe())
    await guest.run("rm /srv/a; sync")
    assert "still taken below it: trim it" in faults(await probe.observe())["trimmed space"]
    await guest.run("fstrim /srv; sync")
    assert "trimmed space" not in faults(await probe.observe())


async def _through_the_helper(daemon: Daemon) -> None:
    """What the program of root prints about this guest is understood by the daemon."""
    listed = await asyncio.to_thread(libvirt_agent.list_domains, daemon.uri)
    (domain,) = libvirt_agent.read_domains(listed.stdout)
    said = await asyncio.to_thread(libvirt_agent.printed, domain.uuid, daemon.uri)
    report = read_printed(said.encode())
    assert [each.point for each in report.filesystems] == ["/srv"]
    assert report.ahead_s == pytest.approx(-3600, abs=5)
    assert report.unseen == ()
