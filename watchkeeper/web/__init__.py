"""The status page and the API beneath it, served on loopback."""
