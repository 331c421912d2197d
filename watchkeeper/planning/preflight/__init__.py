"""Is a change safe now? Pure. Not here: reading the host and its record (inventory/)."""
