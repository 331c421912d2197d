"""Remove a secret from what a receiver answers, which may repeat whatever it was sent. Pure.

This is done before the text is shortened: half of a secret is still a secret.
"""

import base64
import re
from collections.abc import Iterator

VEIL = "(a secret)"


def redact(text: str, user: str, secret: str) -> str:
    """The text without the secret, in plain and as a login sends it: base64 alone (LOGIN) or with the user (PLAIN)."""
    forms = "|".join(re.escape(form) for form in _forms(user, secret))
    return re.sub(forms, VEIL, text) if forms else text


def _forms(user: str, secret: str) -> Iterator[str]:
    """RFC 4616 2 defines how PLAIN combines them; the identity in front may be missing, or be the user."""
    if not secret:
        return
    for plain in (f"\0{user}\0{secret}", f"{user}\0{user}\0{secret}", f"{user}\0{secret}", secret):
        yield base64.b64encode(plain.encode()).decode().rstrip("=")
    yield secret
