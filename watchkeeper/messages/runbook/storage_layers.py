"""Entries about layers between file systems and disks, and about storage that is set up to break later."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

_BACKUP = "See that a backup exists on another machine before anything is repaired or replaced."

ENTRIES = (
    RunbookEntry(
        title="A log, cache or special device of a pool does not work",
        concern=Concern.FAULTY,
        kinds=("zfs",),
        about=(("pool *", "auxiliary devices"),),
        means="The pool itself may still be ONLINE. Without its cache it is slower; without its log, synchronous "
        "writes are slower; a special device that fails completely takes the pool with it; a spare that is gone "
        "cannot replace a disk.",
        look="`zpool status {name}` shows the device with its state. Check its cable and power first.",
        commands=(
            ("zpool status -v {name}", "every device, with its errors"),
            ("journalctl -k -p warning -n 100", "what the kernel reports about the disk"),
        ),
        helps="Bring it back (`zpool online`), replace it (`zpool replace`), or remove a cache, log or spare that is "
        "no longer wanted (`zpool remove`).",
        avoid=_BACKUP,
        example="pool skerry",
        stand_in="skerry",
    ),
    RunbookEntry(
        title="A layer of storage reports a fault",
        concern=Concern.FAULTY,
        kinds=("mapped-devices",),
        about=(("mapped devices", "layers"), ("bcache devices", "layers")),
        means="A cache, a checksum layer or another layer between a file system and its disks has failed, found "
        "damaged data, or is suspended. The file system above it may not have noticed yet.",
        look="The reason names the device. `sudo dmsetup ls --tree` shows which disks are below it.",
        commands=(
            ("sudo dmsetup status", "the status of every layer"),
            ("lsblk", "which file system is on it, and on which disks it is"),
            ("journalctl -k -p warning -n 100", "what the kernel reports about the disks below"),
        ),
        helps="Restore damaged data from a backup. Replace the failed disk. A cache whose metadata needs a check is "
        "repaired with cache_repair while it is not in use; a suspended device goes on after `dmsetup resume`.",
        avoid=_BACKUP,
    ),
    RunbookEntry(
        title="Swap is on a ZFS volume",
        concern=Concern.FAULTY,
        kinds=("storage-risks",),
        about=(("swap", "placement"),),
        means="ZFS needs memory to write to its volumes. When memory is short, the kernel writes to swap, and each "
        "waits for the other: the host can hang until it is reset.",
        look="Move swap to a partition, to a file on another file system, or to compressed memory.",
        commands=(("swapon --show", "where swap is"), ("lsblk", "which partitions there are")),
        helps="Make a new swap area elsewhere, `swapoff` the volume, and change its line in /etc/fstab.",
        avoid="Do not run `swapoff` while memory is short: everything in swap must fit into memory.",
    ),
    RunbookEntry(
        title="A pool depends on a single device, or is slow to write",
        concern=Concern.FAULTY,
        kinds=("storage-risks",),
        about=(("pool *", "single devices"), ("pool *", "fragmentation")),
        means="A special or dedup device holds data that is nowhere else: without a mirror, its failure loses the "
        "whole pool. A pool that is nearly full or very fragmented takes longer to find free space for each write.",
        look="`zpool status {name}` shows the devices, `zpool list {name}` how full and fragmented it is.",
        commands=(
            ("zpool status {name}", "its devices and their roles"),
            ("zpool list -v {name}", "how full and fragmented each device is"),
            ("watchkeeper reclaim", "what deleting snapshots would free"),
        ),
        helps="Attach a second device to the single one (`zpool attach`). Free space, or add disks; data that is "
        "written again afterwards is less fragmented. What you accept can be set in `single_devices`, `fill_limit` "
        "and `fragmentation_limit`.",
        avoid="Do not add a special device without a mirror to a pool whose data has one.",
        example="pool skerry",
        stand_in="skerry",
    ),
    RunbookEntry(
        title="A thin pool promises more than it holds, and is not extended",
        concern=Concern.FAULTY,
        kinds=("storage-risks",),
        about=(("thin pool *", "extension"),),
        means="Its volumes together may grow beyond the pool. When it is full, their writes wait and then fail, and "
        "the file systems in them see no reason.",
        look="Set `thin_pool_autoextend_threshold` below 100 in /etc/lvm/lvm.conf, and see that its group has free "
        "space.",
        commands=(
            ("sudo lvs -o +seg_monitor {name}", "whether dmeventd monitors it"),
            ("sudo vgs", "free space of the group"),
            ("sudo lvmconfig --typeconfig full activation/thin_pool_autoextend_threshold", "the present setting"),
        ),
        helps="Let dmeventd extend it (lvmthin(7)), enlarge it now with `lvextend`, or delete volumes and snapshots.",
        avoid="Do not wait until it is full: a full pool can damage the file systems in it.",
        example="thin pool jetty/thin0",
        stand_in="jetty/thin0",
    ),
)
