"""Deliver messages by HTTP, signed. Not here: retries (outbox/)."""
