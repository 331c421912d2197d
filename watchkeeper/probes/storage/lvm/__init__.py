"""LVM: volume groups, thin pools and their snapshots."""
