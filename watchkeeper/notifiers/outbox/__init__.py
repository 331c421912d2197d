"""Delivers stored messages: retries, order within a thread, nothing lost. Not here: the form of a message."""
