"""Who sends a request, and how often a secret may be tried. Not here: sessions (web/auth/sessions.py) and forms
(web/auth/session_auth.py).
"""
