"""Signatures as in Standard Webhooks 1.0.0: HMAC-SHA256 over `id.timestamp.body`. Pure.

Not here: where a secret comes from, and HTTP.
"""

import base64
import binascii
import hashlib
import hmac

PREFIX = "whsec_"
SHORTEST_KEY, LONGEST_KEY = 24, 64
"""Bytes in a key, Standard Webhooks 1.0.0, "Signature scheme"."""


def key_of(secret: str) -> bytes:
    """The key in a secret, `whsec_` and base64. Raises ValueError that says what is allowed, never the secret."""
    try:
        key = base64.b64decode(secret.strip().removeprefix(PREFIX), validate=True)
    except (binascii.Error, ValueError):
        raise ValueError(f'is not base64; write "{PREFIX}" and the base64 of the key') from None
    if not SHORTEST_KEY <= len(key) <= LONGEST_KEY:
        raise ValueError(
            f"is a key of {len(key)} bytes; {SHORTEST_KEY} to {LONGEST_KEY} are allowed "
            "(`openssl rand -base64 32` makes one)"
        )
    return key


def headers(message_id: str, at_s: int, body: bytes, key: bytes | None) -> dict[str, str]:
    """The three headers of an attempt at `at_s` (seconds since 1970); without a key there is no signature."""
    sent = {"webhook-id": message_id, "webhook-timestamp": str(at_s)}
    if key is not None:
        signed = hmac.new(key, f"{message_id}.{at_s}.".encode() + body, hashlib.sha256).digest()
        sent["webhook-signature"] = f"v1,{base64.b64encode(signed).decode()}"
    return sent
