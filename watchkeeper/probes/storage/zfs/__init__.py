"""ZFS: pools, data sets and their snapshots."""
