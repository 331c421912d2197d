"""What would deleting snapshots free? Pure. Not here: reading the stores (inventory/reclaim/)."""
