"""Which messages of the kernel mean that a device or a file system is faulty. Pure.

The texts are those of the kernel's source (the file is named beside each). A message that is not in the table means
nothing here: the kernel writes thousands that only say what happens.
"""

import re
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Sort:
    """One sort of message. pattern: with the group `device` where the text names one. what: in words.

    subject: the kind of thing, before the device's name.
    """

    pattern: re.Pattern[str]
    what: str
    subject: str = "disk"


@dataclass(frozen=True, slots=True)
class KernelFault:
    """What one message says. device: as the kernel names it; empty if the message names none."""

    subject: str
    device: str
    what: str


def _sort(pattern: str, what: str, subject: str = "disk") -> Sort:
    return Sort(re.compile(pattern), what, subject)


FILE_SYSTEM, DAMAGE, STOPPED = "file system on", "errors in its structure", "that it was stopped after an error"

UNREADABLE, FAILED = "unreadable sectors", "I/O errors"

SORTS = (
    # block/blk-core.c, blk_status_to_str(); "blk_update_request: " in front until Linux 5.15
    _sort(r"^(?:blk_update_request: )?(?:critical )?medium error, dev (?P<device>[\w-]+), sector", UNREADABLE),
    _sort(r"^(?:blk_update_request: )?[\w/ ]+ error, dev (?P<device>[\w-]+), sector", FAILED),
    _sort(r"^Buffer I/O error on dev(?:ice)? (?P<device>[\w-]+), logical block", FAILED),  # fs/buffer.c
    # drivers/ata/libata-eh.c and libata-core.c. Not "link is slow to respond": disks that spin up at boot cause it.
    _sort(r"^(?P<device>ata\d+)(?:\.\d+)?: exception Emask", "errors on its link or in the disk"),
    _sort(r"^(?P<device>ata\d+)(?:\.\d+)?: failed command:", "commands that failed"),
    _sort(r"^(?P<device>ata\d+)(?:\.\d+)?: (?:COMRESET failed|limiting (?:SATA link )?speed)", "resets of its link"),
    # drivers/nvme/host/pci.c and core.c
    _sort(r"^nvme (?P<device>nvme\d+): I/O .*timeout", "commands without an answer"),
    _sort(r"^nvme (?P<device>nvme\d+): controller is down", "resets of its controller"),
    _sort(r"^nvme (?P<device>nvme\d+): (?:Removing after probe failure|Device not ready)", "a controller that is gone"),
    # drivers/scsi/scsi_logging.c, sd.c, scsi_error.c
    _sort(r"^sd \S+ \[(?P<device>sd\w+)\] .*Sense Key : (?:Medium|Hardware) Error", UNREADABLE),
    _sort(r"^sd \S+ \[(?P<device>sd\w+)\] .*(?:rejecting I/O to offline device|Synchronize Cache.*failed)", FAILED),
    # fs/ext4/super.c; fs/xfs/xfs_error.c, xfs_fsops.c and xfs_buf.c; fs/btrfs/messages.c
    _sort(r"^EXT4-fs error \(device (?P<device>[^)\s]+)\)", DAMAGE, FILE_SYSTEM),
    _sort(r"^EXT4-fs \((?P<device>[^)\s]+)\): (?:Remounting filesystem read-only|shut down requested)",
          STOPPED, FILE_SYSTEM),
    _sort(r"^XFS \((?P<device>[^)\s]+)\): .*(?:[Ss]hut(?:ting)? ?down|[Ss]hutdown)", STOPPED, FILE_SYSTEM),
    _sort(r"^XFS \((?P<device>[^)\s]+)\): .*(?:[Cc]orruption|[Mm]etadata I/O error)", DAMAGE, FILE_SYSTEM),
    _sort(r"^BTRFS \w+ \(device (?P<device>[^):\s]+).*forced readonly", STOPPED, FILE_SYSTEM),
    _sort(r"^BTRFS (?:error|critical) \(device (?P<device>[^):\s]+)", DAMAGE, FILE_SYSTEM),
    _sort(r"^BTRFS warning \(device (?P<device>[^):\s]+).*(?:csum|checksum)", DAMAGE, FILE_SYSTEM),
    # kernel/hung_task.c
    _sort(r"^INFO: task .+:\d+ blocked for more than \d+ seconds", "tasks that hang in the kernel", "host"),
    # arch/x86/kernel/cpu/mce/core.c, drivers/edac/edac_mc.c, drivers/pci/pcie/aer.c
    _sort(r"^mce: \[Hardware Error\]", "machine check errors", "processor and memory"),
    _sort(r"^EDAC .*\b[CU]E\b", "memory errors", "processor and memory"),
    _sort(r"^\w+ (?P<device>[0-9a-f]{4}:[0-9a-f]{2}:[0-9a-f]{2}\.\d): (?:AER: )?PCIe Bus Error: severity=Uncorrect",
          "errors on the PCIe bus", "PCIe device"),
    # drivers/usb/core/hub.c
    _sort(r"^usb (?P<device>[\d.-]+): (?:device descriptor read.*error|device not accepting address)",
          "errors of its connection", "USB port"),
)  # fmt: skip


def fault_of(message: str) -> KernelFault | None:
    """What a message says of a fault; None if it says nothing of one."""
    for sort in SORTS:
        if found := sort.pattern.match(message):
            return KernelFault(sort.subject, found.groupdict().get("device") or "", sort.what)
    return None
