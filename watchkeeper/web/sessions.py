"""Who has signed in, and how often one may guess. Both live in memory: a restart signs everybody out.

Not here: cookies, forms and what they may do (desk.py), the password itself (passwords.py).
"""

import hashlib
import secrets
from collections import OrderedDict
from dataclasses import dataclass, field

from aiohttp import web

from watchkeeper.clock import Clock

IDLE_S = 12 * 3_600.0
"""A session that nobody uses ends after this: an evening and the night after it."""
LONGEST_S = 7 * 86_400.0
"""No session lasts longer, however much it is used."""
MOST_SESSIONS = 32
"""One household has fewer screens. The oldest goes for a new one."""


@dataclass(slots=True)
class Session:
    """One browser that has signed in. csrf: the word that its forms must bring. said: what its next page tells once."""

    begun_s: float
    used_s: float
    csrf: str = field(default_factory=lambda: secrets.token_urlsafe(24), repr=False)
    said: str = ""


SESSION = web.RequestKey("session", Session)
"""Where a request keeps the session that it belongs to."""


class Sessions:
    """The sessions, found by a token that is kept only as its digest."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._known: OrderedDict[bytes, Session] = OrderedDict()

    def begin(self) -> tuple[str, Session]:
        """A new session and its token, which nobody has seen before: what a browser brought along is never taken."""
        token, now_s = secrets.token_urlsafe(32), self._clock.monotonic_s()
        made = Session(now_s, now_s)
        self._known[_digest(token)] = made
        while len(self._known) > MOST_SESSIONS:
            self._known.popitem(last=False)
        return token, made

    def find(self, token: str) -> Session | None:
        """The session of a token, unless it is over."""
        found, now_s = self._known.get(_digest(token)), self._clock.monotonic_s()
        if found is None:
            return None
        if now_s - found.used_s > IDLE_S or now_s - found.begun_s > LONGEST_S:
            self.end(token)
            return None
        found.used_s = now_s
        return found

    def end(self, token: str) -> None:
        """Forget a session; one that is not known is no matter."""
        self._known.pop(_digest(token), None)

    def end_all(self) -> None:
        """Forget every session: the password was changed."""
        self._known.clear()


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "replace")).digest()


FREE_TRIES = 5
"""Wrong passwords from one place before it has to wait: fingers slip."""
FIRST_WAIT_S, LONGEST_WAIT_S = 2.0, 900.0
"""The wait doubles with each further wrong one, up to a quarter of an hour: a hundred guesses a day."""
FORGET_S = 3_600.0
"""A place that has not tried for so long begins anew."""
MOST_PLACES = 1_000
BURST, REFILL_S = 30.0, 20.0
"""All places together: so many tries at once, then one every 20 seconds. It bounds what many addresses, or a forged
X-Forwarded-For, can try: 4,320 guesses a day."""


@dataclass(slots=True)
class _Place:
    tries: int
    free_at_s: float
    tried_s: float


class Throttle:
    """Bounds how often a password may be tried. A try counts when it begins, so that many at once gain nothing."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._places: OrderedDict[str, _Place] = OrderedDict()
        self._left, self._counted_s = BURST, clock.monotonic_s()

    def begin(self, place: str) -> float:
        """Count a try from a place. Returns 0 where it may be made, else how many seconds to wait; none is counted."""
        now_s = self._clock.monotonic_s()
        self._left = min(BURST, self._left + (now_s - self._counted_s) / REFILL_S)
        self._counted_s = now_s
        known = self._places.get(place)
        if known is None or now_s - known.tried_s > max(FORGET_S, LONGEST_WAIT_S):
            known = self._places[place] = _Place(0, now_s, now_s)
            if len(self._places) > MOST_PLACES:
                self._places.popitem(last=False)
        if now_s < known.free_at_s:
            return known.free_at_s - now_s
        if self._left < 1:
            return (1 - self._left) * REFILL_S
        self._left -= 1
        known.tries, known.tried_s = known.tries + 1, now_s
        if known.tries >= FREE_TRIES:
            known.free_at_s = now_s + min(FIRST_WAIT_S * 2.0 ** (known.tries - FREE_TRIES), LONGEST_WAIT_S)
        self._places.move_to_end(place)
        return 0.0

    def right(self, place: str) -> None:
        """The password was right: the place begins anew, and the try is given back to all."""
        self._places.pop(place, None)
        self._left = min(BURST, self._left + 1)
