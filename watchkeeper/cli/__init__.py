"""The commands. The only code that prints."""
