"""Deliver messages by SMTP. Not here: retries (outbox/)."""
