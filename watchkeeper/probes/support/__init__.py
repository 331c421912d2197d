"""What probes share: workers, tools, state, names and bounded parsing. Not here: any probe."""
