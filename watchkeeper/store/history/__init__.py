"""Stored samples over time: roll-ups, reading a series back, retention. Not here: when that runs (periodic/)."""
