"""Messages by SMTP. Not here: retries (outbox/)."""
