"""Charts as SVG text."""
