"""Challenges of passkeys: each is used once, within five minutes, for one purpose.

A challenge carries its own time and signature, so nothing is stored for those that strangers ask for: however many they
take, nobody else's is pushed out. Only used ones are remembered, until their time is over.
"""

import hmac
import secrets
import struct
from enum import Enum

from watchkeeper.clock import Clock

LIFE_S = 300.0
"""WebAuthn Level 2, 13.4.3: a challenge need not live longer than the ceremony; its timeout is 5 minutes by default."""
NONCE, TIME, TAG = 16, 8, 32
"""Bytes: random ones (16 at least, 13.4.3), the time of its end, and an HMAC-SHA-256 of both."""


class Purpose(Enum):
    """What a challenge may be used for."""

    ADD = b"add"
    SIGN_IN = b"sign in"


class Challenges:
    """Makes challenges and accepts each once."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._key = clock, secrets.token_bytes(32)
        self._used: dict[bytes, float] = {}

    def make(self, purpose: Purpose) -> bytes:
        """A new challenge."""
        body = secrets.token_bytes(NONCE) + struct.pack(">d", self._clock.monotonic_s() + LIFE_S)
        return body + self._tag(body, purpose)

    def take(self, challenge: bytes, purpose: Purpose) -> bool:
        """Return whether it was made here for this purpose, is not over, and is used for the first time."""
        body, tag = challenge[: NONCE + TIME], challenge[NONCE + TIME :]
        if len(challenge) != NONCE + TIME + TAG or not hmac.compare_digest(tag, self._tag(body, purpose)):
            return False
        now_s, (end_s,) = self._clock.monotonic_s(), struct.unpack(">d", body[NONCE:])
        self._used = {each: until_s for each, until_s in self._used.items() if until_s > now_s}
        if end_s <= now_s or body in self._used:
            return False
        self._used[body] = end_s
        return True

    def _tag(self, body: bytes, purpose: Purpose) -> bytes:
        return hmac.digest(self._key, purpose.value + body, "sha256")
