"""What would deleting snapshots free? Pure."""
