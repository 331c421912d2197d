"""ZFS: pools, data sets and their snapshots. Not here: other storage."""
