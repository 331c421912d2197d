"""Is a change safe now? Pure. Not here: reading the host and its recorded history (inventory/)."""
