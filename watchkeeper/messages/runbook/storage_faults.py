"""Entries about storage that is faulty or overcommitted."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

_EXISTS = "Check that a backup exists on another machine before you repair or replace anything."

ENTRIES = (
    RunbookEntry(
        title="A file system has become read-only",
        concern=Concern.FAULTY,
        kinds=("filesystems",),
        about=(("file system *", "writable"),),
        means="The file system is mounted read-only now. The kernel does this after an error, to protect the data. "
        "Everything that writes there fails.",
        look="`journalctl -k -n 50` shows the errors that the kernel reports. Check that a backup exists before you "
        "repair anything.",
        commands=(
            ("journalctl -k -n 50", "errors that the kernel reports; as root or in the group systemd-journal"),
            ("findmnt {name}", "its device, and how it is mounted"),
            ("sudo smartctl -a /dev/sda", "whether its disk is failing"),
        ),
        helps=f"{_EXISTS} Then stop what uses it, unmount it, and run its `fsck` first in the mode that "
        "changes nothing (`sudo e2fsck -fn DEVICE`).",
        avoid="Do not mount it writable again just to see whether it works. Never repair a mounted file system.",
        example="/srv",
        stand_in=".",
    ),
    RunbookEntry(
        title="A file system does not answer",
        concern=Concern.FAULTY,
        kinds=("filesystems", "btrfs"),
        about=(("file system *", "answers"), ("btrfs *", "answers"), ("*", "answers")),
        means="It is mounted, but reading its usage hangs or fails. Programs that use it may hang as well, and then "
        "cannot be killed.",
        look="It is mounted and does not answer: check whether its disk or the host that serves it still works.",
        commands=(
            ("findmnt -t nfs4,nfs,cifs,fuse.sshfs", "network file systems, and which host serves them"),
            ("ps -eo pid,stat,wchan:32,comm | grep ' D'", "processes that wait for it"),
            ("journalctl -k -n 50", "what the kernel reports about its disk or its server"),
        ),
        helps="Bring the other host or the network back: most mounts then work again. If that host will not come back, "
        "`sudo umount -l PLACE` removes the mount; programs that wait for it then get an error.",
        avoid="Do not keep restarting the programs that hang: each new one hangs as well.",
    ),
    RunbookEntry(
        title="A pool is degraded, suspended or counts errors",
        concern=Concern.FAULTY,
        kinds=("zfs",),
        about=(("pool *", "health"), ("pool *", "errors")),
        means="DEGRADED: a disk is missing or was taken out of use, and the pool works without it. Anything else, such "
        "as SUSPENDED, means that nothing can be written. Errors on one disk point to its cable, its power or the "
        "disk.",
        look="Check which of its disks is missing or has errors, and that a backup exists, before you change anything.",
        commands=(
            ("zpool status -v {name}", "which disk, how many errors, which files are damaged"),
            ("journalctl -k -n 100", "what the kernel reports about that disk"),
            ("ls -l /dev/disk/by-id", "which disk has which serial number"),
        ),
        helps=f"{_EXISTS} Find the disk by its serial number. Check its cable and its power first; then `sudo "
        "zpool replace {name} OLD NEW`, and wait for the resilver. When the cause is fixed, `sudo zpool clear "
        "{name}` resets the error counts.",
        avoid="Do not remove a disk before you are sure which one it is: removing the wrong one can destroy the pool. "
        "Do not clear errors just to end the alert.",
        example="skerry",
    ),
    RunbookEntry(
        title="More is allocated than the storage has",
        concern=Concern.FAULTY,
        kinds=("zfs", "lvm"),
        about=(("pool *", "allocation"), ("thin pool *", "allocation"), ("*", "allocation")),
        means="The volumes together may grow to more than the storage has, beyond the `overcommit_limit` that you set. "
        "This alert does not mean that it is full.",
        look="Compare what the volumes use with what is allocated to them: it works only as long as they do not use "
        "all of it. Keep free space for that, or enlarge the storage.",
        commands=(
            ("zfs list -t volume -o name,volsize,used,refreservation", "ZFS: what each volume may use, and uses"),
            ("sudo lvs -o lv_name,pool_lv,lv_size,data_percent", "LVM: the same"),
        ),
        helps="Watch how full the storage is: that is what counts. Make new guests smaller, remove disks that no guest "
        "uses any more, or enlarge the storage. If it is intended, raise `overcommit_limit`.",
        avoid="Do not shrink a guest's disk from the host: its file system would be truncated.",
    ),
    RunbookEntry(
        title="A thin pool is faulty",
        concern=Concern.FAULTY,
        kinds=("lvm",),
        about=(("thin pool *", "health"),),
        means="It is out of data or metadata space, read-only, failed, or needs a check. Guests on it get I/O errors.",
        look="`lvs -a` (as root) and `journalctl -k -n 50` show the fault. Check that a backup exists before you "
        "repair anything.",
        commands=(
            (
                "sudo lvs -a -o lv_name,lv_attr,lv_health_status,data_percent,metadata_percent",
                "the state of every volume",
            ),
            ("sudo dmsetup status --target thin-pool", "the kernel's own state"),
            ("journalctl -k -n 100", "errors that the kernel reports"),
        ),
        helps="Out of data: enlarge it, then resume the guests. Read-only, or a check needed: shut down the guests on "
        "it, deactivate the pool (`sudo lvchange -an {name}`), and run `sudo lvconvert --repair {name}`. "
        f"{_EXISTS}",
        avoid="Do not repair it while one of its volumes is in use. The repair saves the old metadata in a separate "
        "volume: keep that until everything works.",
        example="vg0/guests",
    ),
    RunbookEntry(
        title="A volume group lacks disks or free space, or has faulty volumes",
        concern=Concern.FAULTY,
        kinds=("lvm",),
        about=(("volume group *", "health"), ("volume group *", "volumes"), ("volume group *", "free space")),
        means="A disk of the group is missing, LVM reports that a volume is incomplete, or less is free than the "
        "`group_free` that you set.",
        look="`pvs` and `lvs -a` (as root) show which disk is missing and what is on it. Check that a backup exists "
        "before you repair anything.",
        commands=(
            ("sudo pvs -o pv_name,vg_name,pv_missing,pv_free", "which disk is missing"),
            ("sudo lvs -a -o lv_name,lv_health_status,devices {name}", "which volumes are on which disk"),
            ("sudo vgs {name}", "how much is free"),
        ),
        helps="Check the disk's cable and power. When it is back, run `sudo vgextend --restoremissing {name} DEVICE`. "
        f"{_EXISTS}",
        avoid="Do not use `vgreduce --removemissing` while the disk may come back: the volumes on it are lost then.",
        example="vg0",
    ),
    RunbookEntry(
        title="A btrfs lacks a device, has errors or damaged data",
        concern=Concern.FAULTY,
        kinds=("btrfs",),
        about=(("btrfs *", "health"), ("btrfs *", "errors"), ("btrfs *", "scrub errors")),
        means="A device is missing, one has read, write or checksum errors, or the last scrub found damaged data that "
        "it could not repair.",
        look="`btrfs device stats {name}` (as root) shows which device has errors, `journalctl -k` which files are "
        "damaged. Check that a backup exists before you replace anything.",
        commands=(
            ("sudo btrfs filesystem show {name}", "its devices, and which is missing"),
            ("sudo btrfs device stats {name}", "errors of each device since the counts were last reset"),
            ("journalctl -k --grep=BTRFS -n 50", "which files are damaged"),
        ),
        helps=f"{_EXISTS} Check cable and power, then run `sudo btrfs replace start DEVID NEW {{name}}` and a scrub. "
        "Restore damaged files from the backup. When the cause is fixed, `sudo btrfs device stats -z {name}` resets "
        "the counts.",
        avoid="Do not run `btrfs check --repair` because of an error count: it can do more damage.",
        example="/srv",
    ),
    RunbookEntry(
        title="A software RAID is degraded or stopped",
        concern=Concern.FAULTY,
        kinds=("raid",),
        about=(("array *", "health"),),
        means="A disk of the array is missing or was taken out of use; if another one fails, the data may be lost. "
        "During a rebuild the message gives its progress. Stopped means that nothing can be read.",
        look="`cat /proc/mdstat` shows the array and the progress of a rebuild. Check that a backup exists before you "
        "replace a disk.",
        commands=(
            ("cat /proc/mdstat", "every array, and the progress of a rebuild"),
            ("sudo mdadm --detail /dev/{name}", "which disk is missing or faulty"),
            ("journalctl -k -n 100", "errors that the kernel reports"),
        ),
        helps=f"{_EXISTS} Check cable and power first. Then run `sudo mdadm /dev/{{name}} --add DEVICE` for a "
        "new disk, and wait until the rebuild is finished.",
        avoid="Do not remove a disk before you are sure which one it is. Do not create the array again with "
        "`--create`.",
        example="md0",
    ),
    RunbookEntry(
        title="A disk reports that it is failing",
        concern=Concern.FAULTY,
        kinds=("smart",),
        about=(("disk *", "health"),),
        means="The disk's own health check failed, a self-test failed, or an NVMe reports a critical warning. It may "
        "stop working within days.",
        look="Check today that a tested backup exists on another disk. `smartctl -a` (as root) shows the disk's "
        "report.",
        commands=(
            ("sudo smartctl -a /dev/sda", "the health check, the error log, the self-tests"),
            ("sudo smartctl -t long /dev/sda", "starts a long self-test; the probe reports its result"),
        ),
        helps=f"{_EXISTS} Then order a disk, and replace this one while the others work.",
        avoid="Do not load it with a full copy if you have a backup. Disk work is at the owner's risk.",
    ),
    RunbookEntry(
        title="A scrub is overdue",
        concern=Concern.OVERDUE,
        kinds=("zfs", "btrfs"),
        about=(("pool *", "scrub"), ("btrfs *", "scrub"), ("*", "scrub")),
        means="All data has not been read and checked for too long, so damage can stay unnoticed until you need the "
        "data.",
        look="`systemctl list-timers --all` shows whether its timer is active. Start a scrub by hand at a quiet time: "
        "it reads everything and may take hours.",
        commands=(
            ("systemctl list-timers --all", "whether a timer for it is active, and when it last ran"),
            ("zpool status skerry", "ZFS: the line `scan`"),
            ("sudo btrfs scrub status /srv", "btrfs: when the last one was, and what it found"),
        ),
        helps="`sudo zpool scrub skerry`, or `sudo btrfs scrub start /srv`. Then set up a timer for each month.",
        avoid="If a disk is failing, make a backup before you scrub.",
    ),
)
