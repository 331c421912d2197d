"""Who has signed in. Sessions are kept in memory: a restart signs everybody out.

Not here: cookies, forms and what they may do (session_auth.py), the password itself (passwords.py), how often it may be
tried (budgets.py). Only the right password begins a session, so no stranger can push one out.
"""

import hashlib
import secrets
from collections import OrderedDict
from dataclasses import dataclass, field

from aiohttp import web

from watchkeeper.clock import Clock

IDLE_S = 12 * 3_600.0
"""An unused session ends after this: an evening and the following night."""
LONGEST_S = 7 * 86_400.0
"""No session lasts longer, however much it is used."""
MOST_SESSIONS = 32
"""More than a household has screens. A new session replaces the oldest."""


@dataclass(slots=True)
class Session:
    """One browser that has signed in. csrf: the token its forms must contain. said: what its next page shows once.

    made_address: a private address that its next page shows once. passkey: the id of the one that began it.
    """

    begun_s: float
    used_s: float
    csrf: str = field(default_factory=lambda: secrets.token_urlsafe(24), repr=False)
    said: str = ""
    made_address: str = field(default="", repr=False)
    passkey: str = ""


SESSION = web.RequestKey("session", Session)
"""Where a request stores its session."""


class Sessions:
    """The sessions, found by a token of which only the digest is stored."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._known: OrderedDict[bytes, Session] = OrderedDict()

    def begin(self, passkey: str = "") -> tuple[str, Session]:
        """A new session and its new token: one that a browser sent is never reused. passkey: the one that begins it."""
        token, now_s = secrets.token_urlsafe(32), self._clock.monotonic_s()
        made = Session(now_s, now_s, passkey=passkey)
        self._known[_digest(token)] = made
        while len(self._known) > MOST_SESSIONS:
            self._known.popitem(last=False)
        return token, made

    def find(self, token: str) -> Session | None:
        """The session of a token, unless it has ended."""
        found, now_s = self._known.get(_digest(token)), self._clock.monotonic_s()
        if found is None:
            return None
        if now_s - found.used_s > IDLE_S or now_s - found.begun_s > LONGEST_S:
            self.end(token)
            return None
        found.used_s = now_s
        return found

    def end(self, token: str) -> None:
        """Forget a session; an unknown token is ignored."""
        self._known.pop(_digest(token), None)

    def end_of(self, passkey: str, but: Session) -> None:
        """Forget every session that a passkey began, but this one."""
        self._known = OrderedDict(
            (token, each) for token, each in self._known.items() if each.passkey != passkey or each is but
        )

    def end_all(self) -> None:
        """Forget every session, because the password was changed."""
        self._known.clear()


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "replace")).digest()
