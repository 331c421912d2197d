"""Who sends a request, and how often a secret may be tried. Not here: sessions (sessions.py) and forms (desk.py)."""
