"""Publish messages to an MQTT 5 broker. Not here: retries (outbox/)."""
