"""Messages of the kernel: from the running one after damage on purpose, and others as its source prints them."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.probes.filesystems.test_filesystem_damage import SHUT_EXT4, TRIGGER_EXT4, damaged
from tests.support.needs import need
from watchkeeper.probes.host.kernel_messages import DAMAGE, FILE_SYSTEM, STOPPED, KernelFault, fault_of


def said_during(tmp_path: Path, kind: str, damage: str) -> list[str]:
    """What the running kernel said while a file system on a loop device was damaged."""
    need(os.geteuid() == 0, "the kernel's messages need root")
    need(shutil.which("dmesg"), "dmesg (util-linux) is not installed")
    before = dmesg()
    damaged(tmp_path, kind, damage)
    return [line for line in dmesg() if line not in before]


def dmesg() -> list[str]:
    """The messages with their times, as the kernel keeps them."""
    return subprocess.run(["dmesg"], capture_output=True, text=True, check=True, timeout=60).stdout.splitlines()


@pytest.mark.parametrize(
    ("kind", "damage", "what"),
    [("ext4", TRIGGER_EXT4, DAMAGE), ("ext4", SHUT_EXT4, STOPPED), ("xfs", "xfs_io -x -c shutdown {}", STOPPED)],
)
def test_what_this_kernel_says(tmp_path: Path, kind: str, damage: str, what: str) -> None:
    """Each damage is recognised, with the loop device; mounting and unmounting are not."""
    lines = [re.sub(r"^\[ *[\d.]+\] ", "", line) for line in said_during(tmp_path, kind, damage)]
    found = [fault for line in lines if "loop" in line and (fault := fault_of(line))]
    assert what in {each.what for each in found}
    assert all(each.subject == FILE_SYSTEM and each.device.startswith("loop") for each in found)


def test_what_this_kernel_says_of_work(tmp_path: Path) -> None:
    """A file system that is mounted, filled and unmounted is no fault. Other tests use loop devices meanwhile."""
    noted = tmp_path / "noted"
    work = f"findmnt -n -o SOURCE,UUID {{}} > {noted}; cp -r /usr/share/zoneinfo {{}}"
    lines = [re.sub(r"^\[ *[\d.]+\] ", "", line) for line in said_during(tmp_path, "btrfs", work)]
    device, uuid = noted.read_text().split()
    ours = [number for number, line in enumerate(lines) if uuid in line]
    assert ours
    during = [line for line in lines[ours[0] : ours[-1] + 1] if Path(device).name in line]
    assert [line for line in during if fault_of(line)] == []


@pytest.mark.parametrize(
    ("message", "wanted"),
    [
        (
            "I/O error, dev sda, sector 2048 op 0x0:(READ) flags 0x80700 phys_seg 1 prio class 2",
            KernelFault("disk", "sda", "I/O errors"),
        ),
        (
            "blk_update_request: I/O error, dev sdb, sector 1234 op 0x1:(WRITE) flags 0x0 phys_seg 1 prio class 0",
            KernelFault("disk", "sdb", "I/O errors"),
        ),
        (
            "critical medium error, dev sda, sector 5859 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 2",
            KernelFault("disk", "sda", "unreadable sectors"),
        ),
        ("timeout error, dev mmcblk0, sector 99 op 0x0:(READ)", KernelFault("disk", "mmcblk0", "I/O errors")),
        ("Buffer I/O error on dev dm-3, logical block 77, async page read", KernelFault("disk", "dm-3", "I/O errors")),
        (
            "ata3.00: exception Emask 0x10 SAct 0x4 SErr 0x280100 action 0x6 frozen",
            KernelFault("disk", "ata3", "errors on its link or in the disk"),
        ),
        ("ata3.00: failed command: READ FPDMA QUEUED", KernelFault("disk", "ata3", "commands that failed")),
        ("ata1: COMRESET failed (errno=-16)", KernelFault("disk", "ata1", "resets of its link")),
        (
            "nvme nvme0: I/O 16 (I/O Cmd) QID 3 timeout, aborting",
            KernelFault("disk", "nvme0", "commands without an answer"),
        ),
        (
            "sd 2:0:0:0: [sdc] tag#11 Sense Key : Medium Error [current] ",
            KernelFault("disk", "sdc", "unreadable sectors"),
        ),
        (
            "BTRFS error (device sda2): bdev /dev/sda2 errs: wr 0, rd 0, flush 0, corrupt 1, gen 0",
            KernelFault(FILE_SYSTEM, "sda2", DAMAGE),
        ),
        (
            "BTRFS warning (device sda2): csum failed root 5 ino 257 off 0 csum 0x8941f998 expected csum 0x1 mirror 1",
            KernelFault(FILE_SYSTEM, "sda2", DAMAGE),
        ),
        ("BTRFS info (device sda2: state E): forced readonly", KernelFault(FILE_SYSTEM, "sda2", STOPPED)),
        (
            "INFO: task txg_sync:412 blocked for more than 120 seconds.",
            KernelFault("host", "", "tasks that hang in the kernel"),
        ),
        ("EDAC MC0: 1 CE memory read error on CPU_SrcID#0", KernelFault("processor and memory", "", "memory errors")),
        (
            "pcieport 0000:00:1c.0: AER: PCIe Bus Error: severity=Uncorrectable (Non-Fatal), type=Transaction Layer",
            None,
        ),
        (
            "nvme 0000:01:00.0: PCIe Bus Error: severity=Uncorrected (Non-Fatal), type=Transaction Layer",
            KernelFault("PCIe device", "0000:01:00.0", "errors on the PCIe bus"),
        ),
        ("usb 1-4: device descriptor read/64, error -71", KernelFault("USB port", "1-4", "errors of its connection")),
    ],
)
def test_messages_of_the_kernels_source(message: str, wanted: KernelFault | None) -> None:
    """From the format strings of the files that the table names; recalled, except those that a test above provokes."""
    if wanted is not None:
        assert fault_of(message) == wanted
    else:
        assert fault_of(message) == KernelFault("PCIe device", "0000:00:1c.0", "errors on the PCIe bus")


@pytest.mark.parametrize(
    "message",
    [
        "",
        "usb 1-4: USB disconnect, device number 7",
        "ata2: SATA link up 6.0 Gbps (SStatus 133 SControl 300)",
        "ata2: link is slow to respond, please be patient (ready=0)",
        "XFS (sda1): Ending clean mount",
        "EXT4-fs (sda1): mounted filesystem with ordered data mode. Quota mode: none.",
        "BTRFS info (device sda2): scrub: finished on devid 1 with status: 0",
        "pcieport 0000:00:1c.0: AER: PCIe Bus Error: severity=Corrected, type=Physical Layer, (Receiver ID)",
        "platform regulatory.0: firmware: failed to load regulatory.db (-2)",
        "perf: interrupt took too long (2512 > 2500), lowering kernel.perf_event_max_sample_rate to 79500",
        "nvme nvme0: 4/0/0 default/read/poll queues",
        "audit: error in audit_log_subj_ctx",
        "I/O error, dev , sector",
        "x" * 100_000,
    ],
)
def test_messages_that_mean_nothing(message: str) -> None:
    """What only happens is no fault."""
    assert fault_of(message) is None
