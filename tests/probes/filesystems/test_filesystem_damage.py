"""Real file systems that the kernel has found damaged or has shut down, each on a loop device of its own.

The damage is done through the kernel's own interfaces: XFS_IOC_GOINGDOWN (xfs_io, xfsprogs), EXT4_IOC_SHUTDOWN
(include/uapi/linux/ext4.h) and trigger_fs_error in sysfs (Documentation/ABI/testing/sysfs-fs-ext4). Each is looked at
before and after: what was OK before must not be OK after.
"""

import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.probes.apart import PREAMBLE, run_apart
from tests.support.needs import need

SCRIPT = (
    PREAMBLE
    + """
image, target, damage = sys.argv[1:]
os.makedirs(target)
subprocess.run(["mount", "-o", "loop", image, target], check=True)
os.chmod(target, 0o755)
os.makedirs(f"{target}/rings", exist_ok=True)

def told(seen):
    return {str(o.key): [o.ok, o.reason, o.grave, dict(o.facts)] for o in seen if hasattr(o, "ok")}

async def main():
    workers = ThreadWorkers()
    probe = FilesystemsProbe(FilesystemsSettings(only=(target,)), ProbeContext(Clock(), workers))
    before = told(await probe.observe())
    subprocess.run(damage, shell=True, check=True, timeout=60)
    after = told(await probe.observe())
    workers.close()
    return [before, after]

try:
    print(json.dumps(asyncio.run(main())))
finally:
    umount(target)
"""
)

SHUT_EXT4 = (
    'python3 -c \'import fcntl, os, struct; fcntl.ioctl(os.open("{}", os.O_RDONLY), 0x8004587D, struct.pack("I", 2))\''
)

TRIGGER_EXT4 = 'echo rings > "/sys/fs/ext4/$(basename $(findmnt -n -o SOURCE {}))/trigger_fs_error"'


def new_image(folder: Path, kind: str) -> Path:
    """A file with a new file system of this type, for a loop device."""
    need(os.geteuid() == 0, "a loop device needs root")
    need(shutil.which(f"mkfs.{kind}"), f"mkfs.{kind} is not installed")
    image = folder / "image"
    with image.open("wb") as file:
        file.truncate(400 << 20)
    subprocess.run([f"mkfs.{kind}", str(image)], check=True, capture_output=True, timeout=120)
    return image


def damaged(tmp_path: Path, kind: str, damage: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """The conditions of a new file system of this type before and after a shell command; {} in it: the mount point."""
    image, target = new_image(tmp_path, kind), tmp_path / "mnt"
    before, after = run_apart(SCRIPT, str(image), str(target), damage.replace("{}", str(target)), timeout_s=180)
    name = f"file system {target}: "
    return tuple({key.removeprefix(name): value for key, value in each.items()} for each in (before, after))  # type: ignore[return-value]


def test_an_xfs_that_was_shut_down(tmp_path: Path) -> None:
    """Its figures still come; reading the directory fails with EIO."""
    need(shutil.which("xfs_io"), "xfs_io (xfsprogs) is not installed")
    before, after = damaged(tmp_path, "xfs", "xfs_io -x -c shutdown {}")
    assert before["answers"][0]
    sound, reason, grave, _ = after["answers"]
    assert (sound, grave) == (False, True)
    assert (
        reason == "reading it fails with an I/O error: the kernel has shut it down, or the storage below it is faulty"
    )


def test_an_ext4_that_was_shut_down(tmp_path: Path) -> None:
    """The kernel shows it among the options; where it does not yet, reading fails."""
    before, after = damaged(tmp_path, "ext4", SHUT_EXT4)
    assert before["answers"][0]
    assert before["writable"][0]
    assert not (after["answers"][0] and after["writable"][0])
    assert after["writable"][2] or after["answers"][2]


def test_an_ext4_that_recorded_an_error_and_goes_on(tmp_path: Path) -> None:
    """With errors=continue it stays writable, and the error stays recorded until e2fsck has run."""
    before, after = damaged(tmp_path, "ext4", TRIGGER_EXT4)
    assert before["recorded errors"][:2] == [True, ""]
    sound, reason, grave, facts = after["recorded errors"]
    assert (sound, grave) == (False, False)
    assert reason == "it has recorded 1 error since its last check with e2fsck"
    assert {"last error", "found by the kernel's function"} <= facts.keys()


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_nothing_happened(tmp_path: Path, kind: str) -> None:
    """Work on a file system, and a look at it, change nothing."""
    before, after = damaged(tmp_path, kind, "cp -r /usr/share/zoneinfo {}/rings && sync {}")
    assert all(sound for sound, *_ in before.values())
    assert {key: value[:3] for key, value in after.items()} == {key: value[:3] for key, value in before.items()}


COMMAND = (
    PREAMBLE
    + """
image, target, damage = sys.argv[1:]
os.makedirs(target)
subprocess.run(["mount", "-o", "loop", image, target], check=True)
os.chmod(target, 0o755)
with open(f"{target}.toml", "w") as file:
    file.write(f'watch_host = false\\n[[probe]]\\nkind = "filesystems"\\nonly = ["{target}"]\\n')

def command():
    words = [sys.executable, "-m", "watchkeeper", "--config", f"{target}.toml", "probe"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120)
    return [done.returncode, " ".join(done.stdout.split()), done.stderr]

try:
    before = command()
    subprocess.run(damage, shell=True, check=True, timeout=60)
    print(json.dumps([before, command()]))
finally:
    umount(target)
"""
)


@pytest.mark.parametrize(
    ("kind", "damage", "told"),
    [
        ("ext4", TRIGGER_EXT4, "it has recorded 1 error since its last check with e2fsck"),
        ("xfs", "xfs_io -x -c shutdown {}", "reading it fails with an I/O error"),
    ],
)
def test_what_the_command_says(tmp_path: Path, kind: str, damage: str, told: str) -> None:
    """`watchkeeper probe` before and after the damage: exit status 0 and 1, and a reason that names what happened."""
    image, target = new_image(tmp_path, kind), tmp_path / "mnt"
    before, after = run_apart(COMMAND, str(image), str(target), damage.replace("{}", str(target)), timeout_s=300)
    assert before[0] == 0, before
    assert after[0] == 1, after
    assert told in after[1]
