"""Is a change safe now? Pure."""
