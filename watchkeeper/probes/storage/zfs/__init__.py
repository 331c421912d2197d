"""ZFS: pools, datasets and their snapshots. Not here: other storage."""
