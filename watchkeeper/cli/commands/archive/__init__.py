"""Commands about the archive of several hosts."""
