"""What would deleting snapshots free? Pure. Not here: asking the stores (inventory/reclaim/)."""
