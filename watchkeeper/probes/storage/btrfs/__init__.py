"""btrfs: file systems, their chunks and their snapshots. Not here: other storage."""
