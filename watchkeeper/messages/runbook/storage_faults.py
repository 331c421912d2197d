"""Entries about storage that is faulty or overcommitted."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

_EXISTS = "See that a backup exists on another machine before anything is repaired or replaced."

ENTRIES = (
    RunbookEntry(
        title="A file system has become read-only",
        concern=Concern.FAULTY,
        kinds=("filesystems",),
        about=(("file system *", "writable"),),
        means="The kernel met an error and stopped writing, to keep what is there. Everything that writes there fails.",
        look="`journalctl -k -n 50` shows what the kernel met before it stopped writing. See that a backup exists "
        "before anything is repaired.",
        commands=(
            ("journalctl -k -n 50", "what the kernel met; as root or in the group systemd-journal"),
            ("findmnt {name}", "where it comes from, and how it is mounted"),
            ("sudo smartctl -a /dev/sda", "whether the disk beneath it is failing"),
        ),
        helps=f"{_EXISTS} Then end what uses it, unmount it, and let `fsck` of its kind look without changing "
        "anything first (`sudo e2fsck -fn DEVICE`).",
        avoid="Do not mount it for writing again just to see whether it works. Never run a repair on a mounted file "
        "system.",
        example="/srv",
        stand_in=".",
    ),
    RunbookEntry(
        title="A file system or store does not answer",
        concern=Concern.FAULTY,
        kinds=("filesystems", "btrfs"),
        about=(("file system *", "answers"), ("btrfs *", "answers"), ("*", "answers")),
        means="It is mounted, and asking for its figures hangs or fails. Programs that touch it hang as well, and "
        "cannot be ended.",
        look="It is mounted and does not answer: see whether what it comes from, a disk or another host, still does.",
        commands=(
            ("findmnt -t nfs4,nfs,cifs,fuse.sshfs", "network file systems, and from which host they come"),
            ("ps -eo pid,stat,wchan:32,comm | grep ' D'", "processes that wait for it"),
            ("journalctl -k -n 50", "what the kernel says of its disk or its server"),
        ),
        helps="Bring the other host or the network back: most come to life by themselves. Where the host is gone for "
        "good, `sudo umount -l PLACE` takes the mount away; what waits for it ends then.",
        avoid="Do not start the programs that hang again and again: each one more hangs as well.",
    ),
    RunbookEntry(
        title="A pool is degraded, suspended or counts errors",
        concern=Concern.FAULTY,
        kinds=("zfs",),
        about=(("pool *", "health"), ("pool *", "errors")),
        means="DEGRADED: a disk is missing or given up, and the others carry on without it. Anything else, such as "
        "SUSPENDED, means that nothing can be written. Errors counted on one disk are a cable, its power or the disk.",
        look="See which of its disks is missing or counts errors, and that a backup exists, before changing anything.",
        commands=(
            ("zpool status -v {name}", "which disk, how many errors, which files are damaged"),
            ("journalctl -k -n 100", "what the kernel says of that disk"),
            ("ls -l /dev/disk/by-id", "which disk has which serial number"),
        ),
        helps=f"{_EXISTS} Find the disk by its serial number. Look at its cable and its power first; then `sudo "
        "zpool replace {name} OLD NEW`, and wait for the resilver. `sudo zpool clear {name}` counts anew, once the "
        "cause is gone.",
        avoid="Do not pull a disk before you are sure which it is: the wrong one ends the pool. Do not clear errors "
        "to be rid of the alert.",
        example="skerry",
    ),
    RunbookEntry(
        title="More is promised than there is",
        concern=Concern.FAULTY,
        kinds=("zfs", "lvm"),
        about=(("pool *", "promised"), ("thin pool *", "promised"), ("*", "promised")),
        means="The volumes together may grow to more than the store has, beyond the `overcommit_limit` that you set. "
        "Nothing is full yet.",
        look="Together they were promised more than there is, which is well as long as they do not all ask for it. "
        "Leave room for that, or enlarge it.",
        commands=(
            ("zfs list -t volume -o name,volsize,used,refreservation", "ZFS: what each volume may take, and takes"),
            ("sudo lvs -o lv_name,pool_lv,lv_size,data_percent", "LVM: the same"),
        ),
        helps="Watch the fill of the store: that is what counts. Make new guests smaller, remove disks that no guest "
        "uses any more, or enlarge the store. If the promise is meant, raise `overcommit_limit`.",
        avoid="Do not shrink a guest's disk from the outside: its file system would be cut off.",
    ),
    RunbookEntry(
        title="A thin pool is at fault",
        concern=Concern.FAULTY,
        kinds=("lvm",),
        about=(("thin pool *", "health"),),
        means="It is out of data or metadata, read-only, failed, or wants a check. Guests on it meet I/O errors.",
        look="`lvs -a` (as root) and `journalctl -k -n 50` show what it met. See that a backup exists before "
        "anything is repaired.",
        commands=(
            ("sudo lvs -a -o lv_name,lv_attr,lv_health_status,data_percent,metadata_percent", "state of every volume"),
            ("sudo dmsetup status --target thin-pool", "the kernel's own state"),
            ("journalctl -k -n 100", "what the kernel met"),
        ),
        helps="Out of data: enlarge it, then let the guests go on. Read-only or a check wanted: end the guests on "
        "it, take the pool out of use (`sudo lvchange -an {name}`), and `sudo lvconvert --repair {name}`. "
        f"{_EXISTS}",
        avoid="Do not repair while a volume of it is in use. The repair leaves the old metadata in a volume of its "
        "own: keep that until all is well.",
        example="vg0/guests",
    ),
    RunbookEntry(
        title="A volume group lacks disks, room, or has volumes at fault",
        concern=Concern.FAULTY,
        kinds=("lvm",),
        about=(("volume group *", "health"), ("volume group *", "volumes"), ("volume group *", "free space")),
        means="A disk of the group is not there, LVM says that a volume is not whole, or less is free than the "
        "`group_free` that you asked for.",
        look="`pvs` and `lvs -a` (as root) show which disk is missing and what lies on it. See that a backup exists "
        "before anything is repaired.",
        commands=(
            ("sudo pvs -o pv_name,vg_name,pv_missing,pv_free", "which disk is missing"),
            ("sudo lvs -a -o lv_name,lv_health_status,devices {name}", "which volumes lie where"),
            ("sudo vgs {name}", "how much is free"),
        ),
        helps="Look at the disk's cable and power; when it is back, `sudo vgextend --restoremissing {name} DEVICE`. "
        f"{_EXISTS}",
        avoid="Do not use `vgreduce --removemissing` while there is hope for the disk: it gives its volumes up.",
        example="vg0",
    ),
    RunbookEntry(
        title="A btrfs lacks a device, counts errors, or could not mend all",
        concern=Concern.FAULTY,
        kinds=("btrfs",),
        about=(("btrfs *", "health"), ("btrfs *", "errors"), ("btrfs *", "mended data")),
        means="A device is missing, one counts read, write or checksum errors, or the last scrub found data that it "
        "had no sound copy of.",
        look="`btrfs device stats {name}` (as root) shows which device counts errors, `journalctl -k` which files "
        "are damaged. See that a backup exists before anything is replaced.",
        commands=(
            ("sudo btrfs filesystem show {name}", "its devices, and which is missing"),
            ("sudo btrfs device stats {name}", "errors that each device counts, since they were last set to nought"),
            ("journalctl -k --grep=BTRFS -n 50", "which files are damaged"),
        ),
        helps=f"{_EXISTS} Look at cable and power, then `sudo btrfs replace start DEVID NEW {{name}}` and a scrub. "
        "Files that are named as damaged come back from the backup. `sudo btrfs device stats -z {name}` counts anew, "
        "once the cause is gone.",
        avoid="Do not use `btrfs check --repair` because an error is counted: it can make things worse.",
        example="/srv",
    ),
    RunbookEntry(
        title="A software RAID is degraded or stopped",
        concern=Concern.FAULTY,
        kinds=("raid",),
        about=(("array *", "health"),),
        means="A disk of the array is missing or given up; the next one that fails may be the end of it. While it is "
        "rebuilding the message says how far it is. Stopped means that nothing can be read.",
        look="`cat /proc/mdstat` shows the array and how far a rebuild is. See that a backup exists before a disk is "
        "replaced.",
        commands=(
            ("cat /proc/mdstat", "every array, and how far a rebuild is"),
            ("sudo mdadm --detail /dev/{name}", "which disk is missing or faulty"),
            ("journalctl -k -n 100", "what the kernel met"),
        ),
        helps=f"{_EXISTS} Look at cable and power first. Then `sudo mdadm /dev/{{name}} --add DEVICE` for a new "
        "disk, and leave it alone until the rebuild is done.",
        avoid="Do not pull a disk before you are sure which it is. Do not make the array anew with `--create`.",
        example="md0",
    ),
    RunbookEntry(
        title="A disk says that it is failing",
        concern=Concern.FAULTY,
        kinds=("smart",),
        about=(("disk *", "health"),),
        means="Its own verdict, a self-test that it failed, or an NVMe's warning. A disk that says so may have days.",
        look="See today that a tested backup exists on another disk. `smartctl -a` (as root) shows what the disk "
        "says of itself.",
        commands=(
            ("sudo smartctl -a /dev/sda", "the verdict, the log of errors, the self-tests"),
            ("sudo smartctl -t long /dev/sda", "a long self-test; its end is told by the next look"),
        ),
        helps=f"{_EXISTS} Then order a disk, and replace this one while the others are well.",
        avoid="Do not stress it with a copy of everything if a backup is at hand. Disk work is at the owner's risk.",
    ),
    RunbookEntry(
        title="A scrub is overdue",
        concern=Concern.OVERDUE,
        kinds=("zfs", "btrfs"),
        about=(("pool *", "scrub"), ("btrfs *", "scrub"), ("*", "scrub")),
        means="Nobody has read all the data lately, so that damage can lie there unseen, on the one copy you will "
        "need.",
        look="`systemctl list-timers --all` shows whether its timer still runs. Start one by hand at a quiet time: "
        "it reads everything, and may take hours.",
        commands=(
            ("systemctl list-timers --all", "whether a timer for it runs, and when it last did"),
            ("zpool status skerry", "ZFS: the line `scan`"),
            ("sudo btrfs scrub status /srv", "btrfs: when the last one was, and what it found"),
        ),
        helps="`sudo zpool scrub skerry`, or `sudo btrfs scrub start /srv`. Then let a timer do it each month.",
        avoid="Do not scrub a pool with a disk that is failing before the backup is made.",
    ),
)
