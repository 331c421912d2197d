"""Control groups of a real kernel (version 2), made in a small guest: near their limits, and killed at one.

The kernel of the machine that runs the tests may have version 1. On request only, for it downloads Debian's packages:
GUEST_TESTS=1 deploy/check tests/endtoend/test_real_control_groups.py.
"""

import base64
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from tests.support.small_linux import Parts, SmallLinux, boot
from watchkeeper.clock import Clock
from watchkeeper.model.observation import Condition, Level, Observed
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.containers.containers import ContainersProbe, ContainersSettings
from watchkeeper.probes.support.workers import ThreadWorkers

pytestmark = [
    pytest.mark.slow,
    pytest.mark.untraced,
    pytest.mark.timeout(900),
    pytest.mark.skipif(os.environ.get("GUEST_TESTS") != "1", reason="boots a guest on purpose alone: GUEST_TESTS=1"),
]

MIB = 2**20
NSPAWN = "/sys/fs/cgroup/machine.slice/systemd-nspawn@tide-log.service"
LXC = "/sys/fs/cgroup/lxc.payload.hide-hub"
SLICE = "/sys/fs/cgroup/guests.slice"
CONTROLLERS = "+memory +pids"
FILES = "memory.current memory.max memory.stat memory.events memory.pressure pids.current pids.max"


async def copied(guest: SmallLinux, root: Path) -> None:
    """Copy the files that the probe reads out of the guest. What a cgroup's files say is text of a few lines."""
    each = f"for g in {NSPAWN} {LXC} {SLICE}; do for f in {FILES}; do echo %%$g/$f; cat $g/$f; done; done"
    said = await guest.run(f"({each}) 2>/dev/null | base64 | tr -d '\\n'; echo", 60)
    text = base64.b64decode(said.split()[-1]).decode()
    for part in text.split("%%")[1:]:
        name, _, content = part.partition("\n")
        file = root / name.lstrip("/")
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(content)


async def look(probe: ContainersProbe) -> tuple[dict[str, Level], dict[str, Condition]]:
    """The levels and conditions by their names."""
    seen: Sequence[Observed] = await probe.observe()
    return (
        {str(one.key): one for one in seen if isinstance(one, Level)},
        {str(one.key): one for one in seen if isinstance(one, Condition)},
    )


async def test_containers_of_a_real_kernel(parts: Parts, guest_folder: Path) -> None:
    """Memory and processes as they were taken; a program that takes more than it may is killed, and named."""
    workers, folder = ThreadWorkers(), guest_folder
    context = replace(ProbeContext(Clock(), workers), probe_states=MemoryStateStore())
    probe = ContainersProbe(ContainersSettings.model_validate({"engines": []}), context, folder / "root")
    async with boot(parts, folder, "hide-hub", 16 * MIB) as guest:
        for above in ("/sys/fs/cgroup", "/sys/fs/cgroup/machine.slice"):
            await guest.run(f"mkdir -p {above}; echo {CONTROLLERS} >{above}/cgroup.subtree_control")
        await guest.run(f"mkdir -p {NSPAWN} {LXC} {SLICE}; echo {24 * MIB} >{NSPAWN}/memory.max")
        await guest.run(f"echo 20 >{LXC}/pids.max; echo {64 * MIB} >{SLICE}/memory.max")
        await guest.run("mkdir /m; mount -t tmpfs none /m")
        write = "dd if=/dev/zero of=/m/held bs=1M count=16 2>/dev/null"
        await guest.run(f"sh -c 'echo $$ >{NSPAWN}/cgroup.procs; {write}'")
        await guest.run(f"(echo 0 >{LXC}/cgroup.procs; for i in 1 2 3 4 5 6; do sleep 600 & done) & sleep 1")
        await copied(guest, folder / "root")
        levels, conditions = await look(probe)
        memory = levels["container tide-log: memory"]
        assert memory.capacity == 24 * MIB
        assert memory.used == pytest.approx(16 * MIB, rel=0.1)
        processes = levels["container hide-hub: processes"]
        assert (6 <= processes.used <= 8, processes.capacity) == (True, 20)
        assert levels["slice guests: memory"].capacity == 64 * MIB
        assert all(one.ok for one in conditions.values()), conditions
        more = "dd if=/dev/zero of=/m/more bs=1M count=16 2>/dev/null"
        await guest.run(f"sh -c 'echo $$ >{NSPAWN}/cgroup.procs; {more}; true'")
        await copied(guest, folder / "root")
        _, conditions = await look(probe)
        killed = conditions["container tide-log: memory kills"]
        assert not killed.ok
        assert "24 MiB" in killed.reason
        assert conditions["slice guests: memory kills"].ok
    workers.close()
