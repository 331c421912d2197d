"""Charts as SVG text. Not here: reading the store."""
