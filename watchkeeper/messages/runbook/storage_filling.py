"""Entries about storage that is filling."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

_ESTIMATE = "The date is an estimate with a range: act before the early end of the range."

ENTRIES = (
    RunbookEntry(
        title="A file system fills",
        concern=Concern.FULL,
        kinds=("filesystems",),
        about=(("file system *", "space"),),
        means="At the recent growth rate it will be full at the time shown. Then programs that write there fail: "
        f"databases stop, logs end, mail is refused. {_ESTIMATE}",
        look="`du -x --max-depth=1 {name} | sort -n` shows the largest directories, the largest last. If it has "
        "snapshots, they still hold what was deleted: removing files alone may free nothing.",
        commands=(
            ("df -h {name}", "how much is used and left"),
            ("sudo du -x --max-depth=2 {name} | sort -n | tail -n 20", "the largest directories, two levels deep"),
            (
                "sudo find {name} -xdev -type f -mtime -2 -size +100M",
                "large files that were written in the last two days",
            ),
            (
                "sudo lsof -nP +L1 {name}",
                "deleted files that are still open: their space is freed when they are closed",
            ),
            ("journalctl --disk-usage", "the size of the journal"),
        ),
        helps="Find what grows: a log without rotation, a cache, a dump, footage that is not pruned. `sudo journalctl "
        "--vacuum-size=500M` and `sudo apt clean` free some space at once. Then fix the cause, or enlarge the file "
        "system.",
        avoid="Do not delete files of a running database, or anything whose owner you do not know. Deleting a log "
        "that a program holds open frees nothing until the program closes it.",
        example="/srv",
        stand_in=".",
    ),
    RunbookEntry(
        title="A file system runs out of inodes",
        concern=Concern.FULL,
        kinds=("filesystems",),
        about=(("file system *", "inodes"),),
        means="No new file can be created when it runs out, even with gigabytes free: each file needs an inode, "
        "however small it is.",
        look="`du -x --inodes --max-depth=1 {name} | sort -n` shows which directories have the most files, the most "
        "last.",
        commands=(
            ("df -i {name}", "how many inodes are used and left"),
            ("sudo du -x --inodes --max-depth=2 {name} | sort -n | tail -n 20", "folders with the most files"),
        ),
        helps="Usually it is one folder: sessions, a mail queue, thumbnails, a cache. Let its program clean up, or "
        "delete the old ones with `find FOLDER -xdev -type f -mtime +30 -delete`, after you have checked what it "
        "lists without `-delete`.",
        avoid="An ext4 gets more inodes only when it is enlarged; otherwise it must be created again. XFS and btrfs "
        "create inodes as needed.",
        example="/srv",
        stand_in=".",
    ),
    RunbookEntry(
        title="A pool fills",
        concern=Concern.FULL,
        kinds=("zfs",),
        about=(("pool *", "space"),),
        means="At the recent growth rate the pool will be full at the time shown. Then every guest with a disk on it "
        f"stops at the same moment, and even deleting may fail. {_ESTIMATE}",
        look="`watchkeeper reclaim` shows what deleting snapshots would free; snapshots still hold what was deleted. "
        "Then check which guest's disk has grown.",
        commands=(
            ("watchkeeper reclaim", "what each set of snapshots holds, and what deleting it would free"),
            ("zfs list -o space -r {name}", "for each dataset: its own data, its snapshots, what is reserved"),
            ("zfs list -t snapshot -o name,used,creation -s used -r {name}", "snapshots, the largest last"),
            ("zpool list -v {name}", "the pool and its disks"),
        ),
        helps="Delete snapshots that you do not need, the oldest of a set first (`sudo zfs destroy -nv NAME` shows "
        "what that would free, without doing it). In the guest, delete what is not needed and trim (`sudo fstrim "
        "-av`), so that the pool gets the space back. If the growth is real, add disks in time: they take days to "
        "arrive.",
        avoid="Do not let it fill to the last percent: ZFS becomes slow before that, and it is hard to free space in a "
        "full pool. Do not delete the snapshot you would roll back to. A snapshot on the same pool is not a backup.",
        example="skerry",
    ),
    RunbookEntry(
        title="A dataset reaches its quota",
        concern=Concern.FULL,
        kinds=("zfs",),
        about=(("dataset *", "quota"), ("dataset *", "quota without snapshots")),
        means="Writes to this dataset will fail when it is reached, even if the pool has free space. Snapshots count "
        "against a quota, but not against a refquota.",
        look="`zfs list -t snapshot -o name,used -s used -r {name}` shows what its snapshots hold, the largest last. "
        "Delete what is not needed, or raise the limit while the pool has free space.",
        commands=(
            (
                "zfs get quota,refquota,used,referenced,usedbysnapshots {name}",
                "the limits, and what counts against them",
            ),
            ("zfs list -t snapshot -o name,used,creation -s used -r {name}", "its snapshots, the largest last"),
        ),
        helps="Delete what is not needed, or raise the limit: `sudo zfs set quota=200G NAME`.",
        avoid="Raising a quota does not make the pool larger: check first how much is free there.",
        example="skerry/guests/nest-cams",
    ),
    RunbookEntry(
        title="A thin pool's data fills",
        concern=Concern.FULL,
        kinds=("lvm",),
        about=(("thin pool *", "data"),),
        means="At the recent growth rate the pool will be full at the time shown. Then writes wait for a minute and "
        f"fail: every guest on it gets I/O errors at the same time. {_ESTIMATE}",
        look="`lvs -a` (as root) shows the volumes and how full the pool is. Enlarge it from the volume group, remove "
        "snapshots, or trim the guests: space that they deleted is freed only by a trim.",
        commands=(
            ("sudo lvs -a -o lv_name,pool_lv,origin,lv_size,data_percent,metadata_percent", "volumes and pools"),
            ("sudo vgs -o vg_name,vg_size,vg_free", "how much the group can add to the pool"),
            ("watchkeeper reclaim", "what deleting snapshots would free, at least and at most"),
        ),
        helps="Enlarge it from the group's free space: `sudo lvextend -L +20G {name}`. Remove thin snapshots that "
        "you do not need. Trim the guests (`sudo fstrim -av` in each): space that they deleted is freed only then.",
        avoid="Do not wait until the guests are full: they do not see this limit. Do not repair a full pool before it "
        "has free space again.",
        example="vg0/guests",
    ),
    RunbookEntry(
        title="Metadata runs out",
        concern=Concern.FULL,
        kinds=("lvm", "btrfs"),
        about=(("thin pool *", "metadata"), ("btrfs *", "metadata"), ("*", "metadata")),
        means="The space for metadata will be full at the time shown. Then nothing can be written, even with free "
        "space for data: a thin pool becomes read-only, a btrfs reports that no space is left.",
        look="Metadata can run out while there is free space for data. Enlarge the metadata or remove snapshots in "
        "time.",
        commands=(
            ("sudo lvs -a -o lv_name,metadata_percent,lv_metadata_size", "thin pools: how full, how large"),
            ("sudo btrfs filesystem usage /srv", "btrfs: what is allocated to data and to metadata, and what is not"),
        ),
        helps="Thin pool: `sudo lvextend --poolmetadatasize +512M vg0/guests`, and fewer snapshots. btrfs: free "
        "nearly empty data chunks with `sudo btrfs balance start -dusage=10 /srv`, delete snapshots, or add a "
        "device.",
        avoid="On btrfs do not balance metadata, and do not start with a high -dusage: it needs free space to work. "
        "Deleting files frees no metadata while snapshots hold them.",
        example="vg0/guests",
    ),
    RunbookEntry(
        title="A btrfs fills",
        concern=Concern.FULL,
        kinds=("btrfs",),
        about=(("btrfs *", "data"), ("btrfs *", "space")),
        means="At the recent growth rate there will be no space for data at the time shown, given the copies that its "
        "profile keeps and the free space of each device. `df` may show more than can be written.",
        look="`btrfs filesystem usage {name}` (as root) shows what is used and what is not allocated yet. Snapshots "
        "still hold what was deleted.",
        commands=(
            ("sudo btrfs filesystem usage {name}", "what is used, what is allocated, what is not"),
            ("sudo du -x --max-depth=1 {name} | sort -n", "the largest directories, the largest last"),
            ("sudo btrfs subvolume list -s {name}", "snapshots, which hold what was deleted"),
            ("watchkeeper reclaim", "what deleting snapshots would free, where that can be determined"),
        ),
        helps="Delete snapshots that you do not need; the space is freed some minutes later. `sudo btrfs balance start "
        "-dusage=20 {name}` frees chunks that are nearly empty.",
        avoid="Do not let it fill completely: deleting needs some free space too. A snapshot on the same file system "
        "is not a backup.",
        example="/srv",
    ),
    RunbookEntry(
        title="An LVM snapshot fills",
        concern=Concern.FULL,
        kinds=("lvm",),
        about=(("snapshot *", "space"),),
        means="The snapshot has its own space. When that is full, the kernel invalidates the snapshot. The volume "
        "itself keeps working; what you would roll back to is lost.",
        look="When it is full, it is lost and you cannot roll back. Enlarge it, or remove it if the upgrade has "
        "succeeded.",
        commands=(("sudo lvs -o lv_name,origin,lv_size,data_percent", "snapshots, and how full they are"),),
        helps="Enlarge it (`sudo lvextend -L +5G {name}`), or remove it when the upgrade it was made for has "
        "succeeded.",
        avoid="Do not merge a snapshot to free space: that undoes everything that was written since.",
        example="vg0/hide-hub-before",
    ),
    RunbookEntry(
        title="A disk wears out",
        concern=Concern.FULL,
        kinds=("smart",),
        about=(("disk *", "endurance"), ("*", "endurance")),
        means="An SSD counts how much of its rated write volume is used. At 100 % it may work for years, become "
        "read-only or fail; it is beyond what its manufacturer guarantees.",
        look="Plan the replacement of the drive, and check that a tested backup exists. The figure is the drive's own.",
        commands=(
            ("sudo smartctl -a /dev/nvme0", "the disk's report, with the amount written"),
            ("sudo iotop -ao", "how much each program writes from now on (package iotop)"),
        ),
        helps="Order a disk of at least the same size and replace it at a quiet time, one disk at a time. Find what "
        "writes so much: swap in use, a busy database, the logs of a program.",
        avoid="Do not replace two disks of a mirror at once. Disk work is at the owner's risk.",
    ),
)
