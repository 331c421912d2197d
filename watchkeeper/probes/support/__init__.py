"""What probes share: workers, tools, state, name lookup and bounded parsing. Not here: any probe."""
