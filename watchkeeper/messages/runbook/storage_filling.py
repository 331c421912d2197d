"""Entries about storage that is filling."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

_ESTIMATE = "The date is an estimate, and its interval is part of it: act by the early end."

ENTRIES = (
    RunbookEntry(
        title="A file system fills",
        concern=Concern.FULL,
        kinds=("filesystems",),
        about=(("file system *", "space"),),
        means="At the pace of late there will be no room left at the time that is told. Then programs that write "
        f"there fail: databases stop, logs end, mail is refused. {_ESTIMATE}",
        look="`du -x --max-depth=1 {name} | sort -n` shows the largest directories, the largest last. Snapshots "
        "still hold what was deleted: removing files alone may free nothing.",
        commands=(
            ("df -h {name}", "how much is used and left"),
            ("sudo du -x --max-depth=2 {name} | sort -n | tail -n 20", "the largest directories, two deep"),
            ("sudo find {name} -xdev -type f -mtime -2 -size +100M", "large files that were written in two days"),
            (
                "sudo lsof -nP +L1 {name}",
                "files that are deleted and still open: their space comes back when they close",
            ),
            ("journalctl --disk-usage", "what the journal takes"),
        ),
        helps="Find the one thing that grows: a log that nobody rotates, a cache, a dump, footage that is not "
        "pruned. `sudo journalctl --vacuum-size=500M` and `sudo apt clean` give room for a day or two. Then mend the "
        "cause, or enlarge the file system.",
        avoid="Do not delete files of a running database, or anything whose owner you do not know. Deleting a log "
        "that a program holds open frees nothing until the program lets go of it.",
        example="/srv",
        stand_in=".",
    ),
    RunbookEntry(
        title="A file system runs out of inodes",
        concern=Concern.FULL,
        kinds=("filesystems",),
        about=(("file system *", "inodes"),),
        means="There will be no place for another file, though there are gigabytes free: each file takes an inode, "
        "however small it is.",
        look="`du -x --inodes --max-depth=1 {name} | sort -n` shows where the many small files are, the most last.",
        commands=(
            ("df -i {name}", "how many inodes are used and left"),
            ("sudo du -x --inodes --max-depth=2 {name} | sort -n | tail -n 20", "folders with the most files"),
        ),
        helps="It is nearly always one folder: sessions, a mail queue, thumbnails, a cache. Let its program tidy up, "
        "or delete the old ones with `find FOLDER -xdev -type f -mtime +30 -delete`, once you have looked at what it "
        "lists without `-delete`.",
        avoid="Enlarging an ext4 brings inodes with the new space alone; without that it takes a new file system. "
        "XFS and btrfs make inodes as they need them.",
        example="/srv",
        stand_in=".",
    ),
    RunbookEntry(
        title="A pool fills",
        concern=Concern.FULL,
        kinds=("zfs",),
        about=(("pool *", "space"),),
        means="The pool will have no room for a writer. When it is full every guest with a disk on it stops at the "
        f"same moment, and even deleting may fail. {_ESTIMATE}",
        look="Snapshots still hold what was deleted: list them by size and remove those that no upgrade needs any "
        "more. Then see which guest's disk has grown.",
        commands=(
            ("watchkeeper reclaim", "what each set of snapshots holds together, and what deleting it would free"),
            ("zfs list -o space -r {name}", "for each dataset: its own data, its snapshots, what is reserved"),
            ("zfs list -t snapshot -o name,used,creation -s used -r {name}", "snapshots, the largest last"),
            ("zpool list -v {name}", "the pool and its disks"),
        ),
        helps="Delete snapshots that no upgrade needs, the oldest of a set first (`sudo zfs destroy -nv NAME` says "
        "what it would free before you do it). In the guest, delete what is not needed and trim (`sudo fstrim -av`), "
        "so that the pool hears of it. If it grows in earnest, add disks in time: that takes days to order.",
        avoid="Do not let it come to the last percent: ZFS gets slow before, and a full pool is hard to empty. Do "
        "not delete the one snapshot you would roll back to. A snapshot on the same pool is not a backup.",
        example="skerry",
    ),
    RunbookEntry(
        title="A dataset reaches its quota",
        concern=Concern.FULL,
        kinds=("zfs",),
        about=(("dataset *", "quota"), ("dataset *", "quota without snapshots")),
        means="Writers in this dataset will get no more room, though the pool has some. Snapshots count against a "
        "quota, and do not against a refquota.",
        look="`zfs list -t snapshot -o name,used -s used -r {name}` shows what its snapshots hold, the largest last. "
        "Delete what is not needed, or raise the limit while the pool has room.",
        commands=(
            (
                "zfs get quota,refquota,used,referenced,usedbysnapshots {name}",
                "the limits, and what counts against them",
            ),
            ("zfs list -t snapshot -o name,used,creation -s used -r {name}", "its snapshots, the largest last"),
        ),
        helps="Delete what is not needed, or raise the limit: `sudo zfs set quota=200G NAME`.",
        avoid="Raising a quota does not make the pool larger: see first what is left there.",
        example="skerry/guests/nest-cams",
    ),
    RunbookEntry(
        title="A thin pool's data fills",
        concern=Concern.FULL,
        kinds=("lvm",),
        about=(("thin pool *", "data"),),
        means="The thin volumes were promised more than the pool has, and are about to ask for it. When it is full, "
        "writes wait for a minute and then fail: every guest on it meets I/O errors at once.",
        look="`lvs -a` (as root) shows the volumes and how full the pool is. Enlarge it from the group, remove "
        "snapshots, or trim the guests: what they deleted comes back only then.",
        commands=(
            ("sudo lvs -a -o lv_name,pool_lv,origin,lv_size,data_percent,metadata_percent", "volumes and pools"),
            ("sudo vgs -o vg_name,vg_size,vg_free", "what the group could still give to the pool"),
            ("watchkeeper reclaim", "what deleting snapshots would free, at least and at most"),
        ),
        helps="Enlarge it from the group's free space: `sudo lvextend -L +20G {name}`. Remove thin snapshots that "
        "nobody needs. Trim the guests (`sudo fstrim -av` in each): what they deleted comes back only then.",
        avoid="Do not wait for the guests to be full first: they do not see this limit. Do not repair a pool that "
        "has run full before it has room again.",
        example="vg0/guests",
    ),
    RunbookEntry(
        title="Metadata runs out",
        concern=Concern.FULL,
        kinds=("lvm", "btrfs"),
        about=(("thin pool *", "metadata"), ("btrfs *", "metadata"), ("*", "metadata")),
        means="Where the store keeps count of its blocks is nearly full. Then nothing can be written any more, "
        "though there is space: a thin pool becomes read-only, a btrfs says that no space is left.",
        look="Metadata runs out on its own, with space still free. Enlarge it, or remove snapshots, in time.",
        commands=(
            ("sudo lvs -a -o lv_name,metadata_percent,lv_metadata_size", "thin pools: how full, how large"),
            ("sudo btrfs filesystem usage /srv", "btrfs: what is given to data and to metadata, and what is not given"),
        ),
        helps="Thin pool: `sudo lvextend --poolmetadatasize +512M vg0/guests`, and fewer snapshots. btrfs: give "
        "chunks of data that are nearly empty back with `sudo btrfs balance start -dusage=10 /srv`, delete "
        "snapshots, or add a device.",
        avoid="On btrfs do not balance metadata, and do not start with a high -dusage: it needs room to work in. Do "
        "not delete files to make room for metadata without removing the snapshots that hold them.",
        example="vg0/guests",
    ),
    RunbookEntry(
        title="A btrfs fills",
        concern=Concern.FULL,
        kinds=("btrfs",),
        about=(("btrfs *", "data"), ("btrfs *", "space")),
        means="No room for data will be left, by the copies that its profile keeps and what each device still has. "
        "`df` may show more than can be written.",
        look="`btrfs filesystem usage {name}` (as root) shows what is used and what is not given out yet. Snapshots "
        "still hold what was deleted.",
        commands=(
            ("sudo btrfs filesystem usage {name}", "what is used, what is given out, what is not"),
            ("sudo du -x --max-depth=1 {name} | sort -n", "the largest directories, the largest last"),
            ("sudo btrfs subvolume list -s {name}", "snapshots, which hold what was deleted"),
            ("watchkeeper reclaim", "what deleting snapshots would free, where that can be known"),
        ),
        helps="Delete snapshots that nobody needs; the space comes back some minutes later. `sudo btrfs balance "
        "start -dusage=20 {name}` gives half-empty chunks back.",
        avoid="Do not let it run to the end: deleting needs a little room too. A snapshot on the same file system is "
        "not a backup.",
        example="/srv",
    ),
    RunbookEntry(
        title="An LVM snapshot fills",
        concern=Concern.FULL,
        kinds=("lvm",),
        about=(("snapshot *", "space"),),
        means="A snapshot with a space of its own is dropped by the kernel when that space is full. The volume "
        "itself goes on; what you would roll back to is lost.",
        look="When it is full it is lost, and with it the way back. Enlarge it, or remove it if the upgrade has gone "
        "well.",
        commands=(("sudo lvs -o lv_name,origin,lv_size,data_percent", "snapshots, and how full they are"),),
        helps="Enlarge it (`sudo lvextend -L +5G {name}`), or remove it when the upgrade it was made for has gone "
        "well.",
        avoid="Do not merge a snapshot back only to make room: that undoes all that was written since.",
        example="vg0/hide-hub-before",
    ),
    RunbookEntry(
        title="A disk wears out",
        concern=Concern.FULL,
        kinds=("smart",),
        about=(("disk *", "endurance"), ("*", "endurance")),
        means="An SSD counts how much of the writing it was made for is used up. At 100 % it may live on for years "
        "or turn read-only; it is no longer what its maker answers for.",
        look="The drive counts its own wear. Plan its replacement, and see that a tested backup exists.",
        commands=(
            ("sudo smartctl -a /dev/nvme0", "what the disk says of itself, with the amount written"),
            ("sudo iotop -ao", "which programs write how much, from now on (package iotop)"),
        ),
        helps="Order a disk of at least the same size and replace it at a quiet time, one at a time. See what writes "
        "so much: a swap in use, a database without a pause, logs of a chatty program.",
        avoid="Do not replace two disks of a mirror at once. Disk work is at the owner's risk.",
    ),
)
