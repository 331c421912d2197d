"""Does one more guest fit? Pure. Not here: reading the host and its recorded history (inventory/)."""
