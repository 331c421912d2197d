"""Probes of storage: ZFS, LVM, btrfs, RAID, disks and snapshots. Not here: mounted file systems (probes/host/)."""
