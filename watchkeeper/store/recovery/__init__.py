"""What happens to a damaged database: it is renamed, and its readable rows go into a new one."""
