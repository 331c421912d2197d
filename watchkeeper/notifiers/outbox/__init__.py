"""Deliver stored messages: retries, order within a thread, nothing lost. Not here: the format of a message."""
