"""A real btrfs on two loop devices of which one is lost: what is written then has no copy."""

import os
import shutil
from pathlib import Path

from tests.probes.apart import PREAMBLE, run_apart
from tests.support.needs import need

SCRIPT = (
    PREAMBLE
    + """
from watchkeeper.probes.storage.btrfs.filesystems import BtrfsProbe, BtrfsSettings

folder = sys.argv[1]
target = f"{folder}/mnt"
os.makedirs(target)

def run(*words):
    return subprocess.run(words, check=True, capture_output=True, text=True, timeout=60).stdout.strip()

def loop(name):
    with open(f"{folder}/{name}", "wb") as file:
        file.truncate(300 << 20)
    return run("losetup", "--find", "--show", f"{folder}/{name}")

async def seen():
    workers = ThreadWorkers()
    try:
        found = await BtrfsProbe(BtrfsSettings(scrub_limit=None), ProbeContext(Clock(), workers)).observe()
    finally:
        workers.close()
    return {o.key.quantity: [o.ok, o.reason] for o in found if o.key.subject == f"btrfs {target}" and hasattr(o, "ok")}

devices = [loop("one"), loop("two")]
steps = []
try:
    run("mkfs.btrfs", "-q", "-f", "-d", "raid1", "-m", "raid1", *devices)
    run("mount", "-o", f"device={devices[1]}", devices[0], target)
    run("cp", "-r", "/usr/share/zoneinfo", target)
    run("sync", target)
    steps.append(asyncio.run(seen()))
    umount(target)
    run("losetup", "--detach", devices.pop())
    run("btrfs", "device", "scan", "--forget")
    run("mount", "-o", "degraded", devices[0], target)
    run("dd", "if=/dev/zero", f"of={target}/rings", "bs=1M", "count=150")
    run("sync", target)
    steps.append(asyncio.run(seen()))
    umount(target)
finally:
    for device in devices:
        run("losetup", "--detach", device)
print(json.dumps(steps))
"""
)


def test_what_a_degraded_mount_writes(tmp_path: Path) -> None:
    """Before: OK. After: a device is missing, and new data has no copy on another device."""
    need(os.geteuid() == 0, "a loop device needs root")
    need(shutil.which("mkfs.btrfs"), "mkfs.btrfs (btrfs-progs) is not installed")
    before, after = run_apart(SCRIPT, str(tmp_path), timeout_s=180)
    assert before["redundancy"] == [True, ""]
    assert before["health"][0]
    assert not after["health"][0]
    ok, reason = after["redundancy"]
    assert not ok
    assert reason.endswith("of data is in chunks without a copy on another device, as a degraded mount writes them")
