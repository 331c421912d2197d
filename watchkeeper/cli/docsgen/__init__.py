"""Writes the generated parts of the manual and the man pages."""
