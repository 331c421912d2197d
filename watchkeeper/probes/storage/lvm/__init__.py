"""LVM: volume groups, thin pools and their snapshots. Not here: other storage."""
