"""Messages to a log host, or to this host's own log, by the syslog protocol (RFC 5424)."""
