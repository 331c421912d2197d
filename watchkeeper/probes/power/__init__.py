"""Where the host's power comes from."""
