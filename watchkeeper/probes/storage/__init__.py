"""Probes of storage: ZFS, LVM, btrfs, RAID, disks and snapshots."""
