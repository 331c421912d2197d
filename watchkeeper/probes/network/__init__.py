"""The host's own network: its links, addresses and routes. Not here: whether others answer (services/)."""
