"""Messages by HTTP, signed. Not here: retries (outbox/)."""
