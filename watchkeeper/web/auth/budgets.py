"""How often a secret may be tried, counted in memory of bounded size. Nothing here waits (waiting_room.py does).

Three groups have separate budgets: known browsers, places from which somebody has signed in, and strangers. All
strangers share one budget, so that guesses per day are bounded however many addresses they use.
"""

from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass
from enum import IntEnum

from watchkeeper.clock import Clock
from watchkeeper.web.auth.visitors import Place

FREE_TRIES = 5
"""Wrong tries of one line before it has to wait, because people mistype."""
FIRST_WAIT_S, LONGEST_WAIT_S = 2.0, 900.0
"""The wait doubles with each further wrong try, up to 15 minutes: about a hundred guesses a day."""
FORGET_S = 3_600.0
"""A line that has not tried for this long starts again."""
MOST_LINES = 1_000
MOST_KNOWN = 64
"""Known browsers and known places that are counted: more than one household has. Only a right password adds one."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Shared tries: `burst` at once, then one every `refill_s`.

    The defaults allow all strangers together 4,320 guesses a day, and one place 2,880.
    """

    burst: float = 30
    refill_s: float = 20.0
    place_burst: float = 12
    place_refill_s: float = 30.0


class Tries:
    """Counts tries by key, with waits that double. A try counts when it begins, so parallel tries gain nothing."""

    def __init__(self, clock: Clock, most: int = MOST_LINES) -> None:
        self._clock, self._most = clock, most
        self._known: OrderedDict[Hashable, _Line] = OrderedDict()

    def wait_s(self, key: Hashable) -> float:
        """Seconds until the next try of a key is allowed; 0 if it is allowed now."""
        line = self._line(key)
        return 0.0 if line is None else max(0.0, line.free_at_s - self._clock.monotonic_s())

    def made(self, key: Hashable) -> int:
        """Tries of a key that are not forgotten yet."""
        line = self._line(key)
        return 0 if line is None else line.tries

    def count(self, key: Hashable) -> None:
        """Count a try that begins now."""
        now_s, line = self._clock.monotonic_s(), self._line(key)
        tries = 1 if line is None else line.tries + 1
        over = tries - FREE_TRIES
        # The exponent is bounded: a float overflows at 2^1024.
        wait_s = min(FIRST_WAIT_S * 2.0 ** min(over, 30), LONGEST_WAIT_S) if over >= 0 else 0.0
        self._known[key] = _Line(tries, now_s + wait_s, now_s)
        self._known.move_to_end(key)
        if len(self._known) > self._most:
            self._known.popitem(last=False)

    def forget(self, key: Hashable) -> None:
        """Start again, because the try was right."""
        self._known.pop(key, None)

    def __len__(self) -> int:
        return len(self._known)

    def _line(self, key: Hashable) -> "_Line | None":
        line = self._known.get(key)
        if line is not None and self._clock.monotonic_s() - line.tried_s > FORGET_S:
            del self._known[key]
            return None
        return line


@dataclass(frozen=True, slots=True)
class _Line:
    tries: int
    free_at_s: float
    tried_s: float


class Bucket:
    """Allows `burst` tries at once, then one every `refill_s`."""

    def __init__(self, clock: Clock, burst: float, refill_s: float) -> None:
        self._clock, self._burst, self._refill_s = clock, burst, refill_s
        self._left, self._counted_s = burst, clock.monotonic_s()

    def wait_s(self) -> float:
        """Seconds until a try is available; 0 if one is available now."""
        now_s = self._clock.monotonic_s()
        self._left = min(self._burst, self._left + (now_s - self._counted_s) / self._refill_s)
        self._counted_s = now_s
        # Ten waits of a tenth are not quite one: without the margin a timer would fire for nothing.
        return 0.0 if self._left > 1 - 1e-6 else (1 - self._left) * self._refill_s

    def change(self, by: float) -> None:
        """Take tries (less than 0) or give them back."""
        self._left = min(self._burst, self._left + by)


class Standing(IntEnum):
    """Who is served first."""

    KNOWN_BROWSER = 0
    KNOWN_PLACE = 1
    STRANGER = 2


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who tries to sign in. browser: the id of its cookie. known: it signed in before. new: it sent no cookie."""

    place: Place
    browser: str
    known: bool = False
    new: bool = False


class SignInBudgets:
    """Counts the tries of the page's password."""

    def __init__(self, clock: Clock, limits: Limits | None = None) -> None:
        self._clock, self._limits = clock, limits or Limits()
        self._browsers = Tries(clock, MOST_KNOWN)
        self._lines, self._places, self._networks = Tries(clock), Tries(clock), Tries(clock)
        self._shares: OrderedDict[Place, Bucket] = OrderedDict()
        self._known: OrderedDict[Place, Bucket] = OrderedDict()
        self._strangers = Bucket(clock, self._limits.burst, self._limits.refill_s)

    def standing(self, visitor: Visitor) -> Standing:
        """Which budget a visitor uses."""
        if visitor.known:
            return Standing.KNOWN_BROWSER
        return Standing.KNOWN_PLACE if visitor.place in self._known else Standing.STRANGER

    def own_wait_s(self, visitor: Visitor) -> float:
        """How long a visitor must wait because of its own wrong tries."""
        if visitor.known:
            return self._browsers.wait_s(visitor.browser)
        return max(self._lines.wait_s(line) for line in _lines(visitor))

    def shared_wait_s(self, visitor: Visitor) -> float:
        """How long a visitor must wait because others have used the shared budget."""
        standing = self.standing(visitor)
        if standing is Standing.KNOWN_BROWSER:
            return 0.0
        wait_s = self._share(visitor.place).wait_s()
        return wait_s if standing is Standing.KNOWN_PLACE else max(wait_s, self._strangers.wait_s())

    def count(self, visitor: Visitor) -> None:
        """Count a try that begins now."""
        standing = self.standing(visitor)
        if standing is Standing.KNOWN_BROWSER:
            self._browsers.count(visitor.browser)
            return
        for line in _lines(visitor):
            self._lines.count(line)
        self._places.count(visitor.place.name)
        self._networks.count(visitor.place.network)
        self._charge(visitor.place, -1)
        if standing is Standing.STRANGER:
            self._strangers.change(-1)

    def right(self, visitor: Visitor) -> None:
        """Record a right password.

        The visitor starts again, its place becomes known, and the shared budget gets the try back.
        """
        standing = self.standing(visitor)
        if standing is Standing.KNOWN_BROWSER:
            self._browsers.forget(visitor.browser)
        else:
            for line in _lines(visitor):
                self._lines.forget(line)
            self._places.forget(visitor.place.name)
            self._charge(visitor.place, 1)
        if standing is Standing.STRANGER:
            self._strangers.change(1)
        self._know(visitor.place)

    def rank(self, visitor: Visitor) -> tuple[int, int, int, int]:
        """The order of service, lowest first. Among strangers: the network, place and browser with the fewest tries."""
        standing = self.standing(visitor)
        if standing is Standing.KNOWN_BROWSER:
            return (standing, 0, 0, 0)
        place, own = self._places.made(visitor.place.name), max(self._lines.made(line) for line in _lines(visitor))
        return (standing, self._networks.made(visitor.place.network), place, own)

    def _know(self, place: Place) -> None:
        if not place.known:
            return
        self._known[place] = self._share(place)
        self._known.move_to_end(place)
        self._shares.pop(place, None)
        if len(self._known) > MOST_KNOWN:
            self._known.popitem(last=False)

    def _share(self, place: Place) -> Bucket:
        """The bucket of a place; if it has none, a new one that is not stored yet."""
        share = self._known.get(place) or self._shares.get(place)
        return share or Bucket(self._clock, self._limits.place_burst, self._limits.place_refill_s)

    def _charge(self, place: Place, by: float) -> None:
        """Charge a place. Known places have their own table, so strangers cannot push them out."""
        share = self._share(place)
        share.wait_s()
        share.change(by)
        if place not in self._known:
            self._shares[place] = share
            self._shares.move_to_end(place)
            if len(self._shares) > MOST_LINES:
                self._shares.popitem(last=False)


def _lines(visitor: Visitor) -> tuple[Hashable, ...]:
    """The lines that count a try. Visitors without a cookie share one per place; their new cookie counts too."""
    own = (visitor.place.name, visitor.browser)
    return ((visitor.place.name, ""), own) if visitor.new else (own,)
