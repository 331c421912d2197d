"""The commands, one per file: options and output. Not here: what is decided or read (the packages below)."""
