"""Messages to an MQTT 5 broker."""
