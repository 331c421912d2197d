"""Entries about file systems that are damaged or not mounted, disks that the kernel reports, and disks of guests."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

_BACKUP = "See that a backup exists on another machine before anything is repaired or replaced."

_KERNEL = ("journalctl -k -p warning -n 100", "the kernel's newest warnings; as root or in the group systemd-journal")

ENTRIES = (
    RunbookEntry(
        title="A file system is not mounted",
        concern=Concern.FAULTY,
        kinds=("filesystems",),
        about=(("file system *", "mounted"),),
        means="It should be mounted, because /etc/fstab or a mount unit names it or because it was mounted before, and "
        "it is not. Programs that write there fill the file system below it instead.",
        look="`sudo mount {name}` mounts it, or says why not. What was written there meanwhile is on the file system "
        "that the facts name.",
        commands=(
            ("findmnt --verify", "whether /etc/fstab is correct"),
            ("lsblk -f", "which devices are there, with their labels and UUIDs"),
            ("journalctl -b -p warning -n 100", "what failed since the start"),
            ("sudo ls -la {name}", "what was written into the empty folder"),
        ),
        helps="Stop the programs that write there, mount it, and move what was written meanwhile into it. If it was "
        "removed on purpose, take its line out of /etc/fstab.",
        avoid="Do not let a backup run while it is missing: it would fill the file system below.",
        example="/mnt/jetty",
        stand_in=".",
    ),
    RunbookEntry(
        title="Datasets of a pool are not mounted",
        concern=Concern.FAULTY,
        kinds=("zfs",),
        about=(("pool *", "mounted datasets"),),
        means="Datasets that ZFS mounts by itself are not mounted, or the key of an encrypted one is not loaded. "
        "Programs see an empty folder, and write into the dataset above it.",
        look="`zfs get -r mounted,keystatus {name}` shows which. `sudo zfs mount -a` mounts them, or says why not.",
        commands=(
            ("zfs get -r mounted,mountpoint,keystatus {name}", "which are mounted, and which keys are loaded"),
            ("journalctl -b -u 'zfs-mount*'", "why they were not mounted at the start"),
        ),
        helps="Load the keys (`sudo zfs load-key -r {name}`), then `sudo zfs mount -a`. If a mount point is not empty, "
        "stop what writes there and move its content away first.",
        avoid="Do not overlay a folder that holds data (`zfs mount -O`): it would be hidden.",
        example="skerry",
    ),
    RunbookEntry(
        title="A file system has recorded errors",
        concern=Concern.FAULTY,
        kinds=("filesystems",),
        about=(("file system *", "recorded errors"),),
        means="ext4 found damage in its own structure and goes on writing, as its option errors=continue says. The "
        "damage can grow. The record stays until e2fsck has checked the file system.",
        look="`findmnt {name}` shows its device. Plan a check with e2fsck while it is not mounted.",
        commands=(
            _KERNEL,
            ("findmnt {name}", "its device"),
            ("sudo tune2fs -l /dev/sda1", "what the file system has recorded: first and last error"),
            ("sudo smartctl -a /dev/sda", "whether the disk below it is failing"),
        ),
        helps=f"{_BACKUP} Then unmount it and run `sudo e2fsck -f DEVICE`. The root file system is checked at the next "
        "start with the kernel parameter fsck.mode=force.",
        avoid="Never run a repair on a mounted file system.",
        example="/srv",
        stand_in=".",
    ),
    RunbookEntry(
        title="The kernel reports faults of a disk or a file system",
        concern=Concern.FAULTY,
        kinds=("kernel-log",),
        about=(("*", "kernel messages"),),
        means="The kernel has written errors about this device into its log: reads or writes failed, its link was "
        "reset, its structure is damaged, or tasks hang. Data may be lost soon or is lost already.",
        look="The facts show the last message and the file systems on the disk. See that a backup exists.",
        commands=(
            _KERNEL,
            ("sudo smartctl -a /dev/sda", "what the disk reports itself"),
            ("lsblk -o NAME,MODEL,SERIAL,MOUNTPOINTS", "which disk has which serial number"),
        ),
        helps=f"{_BACKUP} Errors of a link are often a cable or its power: replace the cable first. Unreadable sectors "
        "mean that the disk has to be replaced.",
        avoid="Do not restart the host again and again: a disk that is failing may not start once more.",
    ),
    RunbookEntry(
        title="The kernel's messages are not read",
        concern=Concern.FAULTY,
        kinds=("kernel-log",),
        about=(("kernel log", "read"),),
        means="The messages of the kernel cannot be read, so its faults are not seen.",
        look="`journalctl -k -n 5` shows whether this user may read them.",
        commands=(("journalctl -k -n 5", "the newest messages of the kernel"),),
        helps="Add the daemon's user to the group systemd-journal.",
        avoid="Do not run the daemon as root for this.",
    ),
    RunbookEntry(
        title="New data has no copy on another device",
        concern=Concern.FAULTY,
        kinds=("btrfs",),
        about=(("btrfs *", "redundancy"),),
        means="While a device was missing, this btrfs was mounted with the option degraded and wrote data without a "
        "copy. Replacing the device does not change that by itself: the loss of one disk would lose this data.",
        look="`sudo btrfs filesystem usage {name}` shows which profiles are in use.",
        commands=(
            ("sudo btrfs filesystem usage {name}", "data and metadata by profile, and missing devices"),
            ("sudo btrfs balance status {name}", "whether a balance is running"),
        ),
        helps="Replace the missing device first. Then `sudo btrfs balance start -dconvert=raid1,soft "
        "-mconvert=raid1,soft {name}` with the profiles that it had.",
        avoid="Do not convert while a device is missing or failing.",
        example="/srv",
        stand_in=".",
    ),
    RunbookEntry(
        title="A check of an array found differences",
        concern=Concern.FAULTY,
        kinds=("raid",),
        about=(("array *", "parity"),),
        means="The last check read sectors whose parity does not match the data: a write was interrupted, or a disk, a "
        "cable or the memory changed data silently. md does not know which is right.",
        look="`cat /sys/block/{name}/md/mismatch_cnt` shows how many sectors; see the disks' own reports next.",
        commands=(
            ("cat /sys/block/{name}/md/mismatch_cnt", "sectors that did not match"),
            ("sudo smartctl -a /dev/sda", "what each disk reports"),
            _KERNEL,
        ),
        helps=f"{_BACKUP} Compare important files with a backup. Then let md rewrite the parity with "
        "`echo repair | sudo tee /sys/block/{name}/md/sync_action`, and check again.",
        avoid="Do not run a repair before you know that the disks and the memory are in order.",
        example="md0",
    ),
    RunbookEntry(
        title="An array has not been checked",
        concern=Concern.OVERDUE,
        kinds=("raid",),
        about=(("array *", "check"),),
        means="No check of all sectors has been seen for longer than the limit. A sector that became unreadable is "
        "found only when it is read; while another disk is missing that is too late.",
        look="`systemctl list-timers 'mdcheck*'` and /etc/cron.d/mdadm show whether checks are planned.",
        commands=(
            ("systemctl list-timers --all", "whether a check is planned"),
            ("cat /proc/mdstat", "whether one is running"),
        ),
        helps="Start one: `echo check | sudo tee /sys/block/{name}/md/sync_action`. On Debian the package mdadm plans "
        "one each month.",
        avoid="Do not start it during a backup: both take longer.",
        example="md0",
    ),
    RunbookEntry(
        title="A disk has become slow",
        concern=Concern.FAULTY,
        kinds=("disk-latency",),
        about=(("disk *", "latency"),),
        means="One read or write takes several times as long as this disk usually needs, or as the other disks of the "
        "same array need. A disk that is failing reads its sectors again and again; a disk that rewrites its zones, "
        "or one with much more work than before, is slow as well.",
        look="`sudo smartctl -a /dev/{name}` shows whether it reports sectors that it cannot read.",
        commands=(
            ("sudo smartctl -a /dev/{name}", "what the disk reports itself"),
            _KERNEL,
            ("cat /proc/diskstats", "how much each disk has to do; two looks some seconds apart"),
        ),
        helps=f"{_BACKUP} If it reports errors, replace it. If not, see what has more work than before.",
        avoid="Do not start a scrub or a long test on a disk that may be failing before there is a backup.",
        example="sda",
    ),
    RunbookEntry(
        title="Reads or writes of a guest's disk failed",
        concern=Concern.FAULTY,
        kinds=("guests",),
        about=(("guest *", "disk errors"),),
        means="QEMU could not read or write a disk of this guest and handed the error to the guest. The guest may have "
        "made its file system read-only, and data may be lost.",
        look="See the storage below the disk's file first: the file system, the pool, the disks.",
        commands=(
            _KERNEL,
            ("findmnt -T /srv", "on which file system a file is; use the disk's folder"),
            ("zpool status -v", "for a pool: which disk, which files are damaged"),
        ),
        helps=f"{_BACKUP} Repair the storage below, then look inside the guest: check its file system, and restart it.",
        avoid="Do not take a new snapshot or overwrite the last backup before you know what is damaged.",
        example="hide-hub",
    ),
    RunbookEntry(
        title="A guest's disk image is corrupt or has leftovers",
        concern=Concern.FAULTY,
        kinds=("guests",),
        about=(("guest *", "disk images"),),
        means="QEMU has marked an image as corrupt (an alarm: it opens the image only for reading from then on), a "
        "snapshot inside an image is old, or the image lies on many others.",
        look="`qemu-img info -U --backing-chain FILE` shows the layers and snapshots of an image.",
        commands=(
            ("qemu-img info -U --backing-chain /srv/guest.qcow2", "layers and snapshots"),
            ("qemu-img check -U /srv/guest.qcow2", "what is damaged; only reads"),
        ),
        helps=f"{_BACKUP} A corrupt image: stop the guest, copy the image, then `qemu-img check -r leaks FILE`. An old "
        "snapshot: delete it with the guest stopped (`qemu-img snapshot -d NAME FILE`).",
        avoid="Never run qemu-img with write access on the image of a guest that runs.",
        example="hide-hub",
    ),
)
