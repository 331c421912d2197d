"""The cookie that recognises a browser before it signs in. It grants no access, only a budget of its own.

A browser that has signed in is known for a year. One that has not gets a cookie for a day, so that at a shared address
it does not share its tries with those that send none. The cookie is an id with an HMAC-SHA256 under the key of this
installation: nothing is stored, and a restart changes nothing. Not here: sessions (sessions.py).
"""

import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass
from datetime import datetime

KNOWN_S = 365 * 86_400
"""How long a browser is known after it last signed in."""
NEW_S = 86_400

_FORM = re.compile(r"([kn])\.([A-Za-z0-9_-]{16})\.([0-9]{1,12})\.([0-9a-f]{32})")


@dataclass(frozen=True, slots=True)
class Browser:
    """A recognised browser. known: it has signed in before."""

    id: str
    known: bool


class Browsers:
    """Makes and reads the cookies of one installation."""

    def __init__(self, key: bytes) -> None:
        self._key = key

    def make(self, now: datetime, *, known: bool) -> tuple[str, Browser]:
        """The cookie of a browser with a new id."""
        made = Browser(secrets.token_urlsafe(12), known)
        until = int(now.timestamp()) + (KNOWN_S if known else NEW_S)
        content = f"{'k' if known else 'n'}.{made.id}.{until}"
        return f"{content}.{self._mark(content)}", made

    def read(self, cookie: str, now: datetime) -> Browser | None:
        """The browser of a cookie; None if the cookie is not one of this installation, or too old."""
        found = _FORM.fullmatch(cookie)
        if found is None:
            return None
        kind, browser_id, until, mark = found.groups()
        same = hmac.compare_digest(mark, self._mark(f"{kind}.{browser_id}.{until}"))
        return Browser(browser_id, kind == "k") if same and now.timestamp() < int(until) else None

    def _mark(self, content: str) -> str:
        return hmac.new(self._key, b"browser:" + content.encode(), hashlib.sha256).hexdigest()[:32]
