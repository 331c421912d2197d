"""Who sends a request, what they may do, and how often a secret may be tried. Not here: what the pages show."""
