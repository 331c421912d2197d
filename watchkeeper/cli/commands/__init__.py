"""The commands, one a file: options, and what is printed. Not here: what is decided or read (the packages below)."""
