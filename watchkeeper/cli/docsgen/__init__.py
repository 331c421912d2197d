"""Writes the generated parts of the manual and the man pages. Not here: chapters that are written by hand (manual/)."""
