"""Finders of pools, disks and snapshots."""
