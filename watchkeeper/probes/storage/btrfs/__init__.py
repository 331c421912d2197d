"""btrfs: file systems, their chunks and their snapshots."""
