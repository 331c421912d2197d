"""The operator's password as a hash: made by `watchkeeper password`, compared at sign-in. Pure except for the salt.

The hash is written in the PHC string format, which includes its parameters: `$scrypt$ln=15,r=8,p=3$salt$hash`. Not
here: where the hash is stored (settings.py), how often one may guess (budgets.py).
"""

import base64
import binascii
import hashlib
import hmac
import re
import secrets
import unicodedata
from dataclasses import dataclass

LN, BLOCK, PARALLEL = 15, 8, 3
"""scrypt's cost: N = 2^15, r = 8, p = 3.

This is one of the settings that OWASP's cheat sheet on password storage calls equivalent; it takes 32 MiB and about a
fifth of a second on a small server.
"""
SALT_BYTES, HASH_BYTES = 16, 32
MEMORY_BYTES = 96 * 1024 * 1024
"""The most that one comparison may use: a hash with more expensive parameters is refused, not computed."""
LARGEST_LN, LARGEST_P = 16, 8

SHORTEST, LONGEST = 12, 1_024
"""Characters of a password.

NIST SP 800-63B asks for 8 at least; without a second factor, more. The upper limit only bounds the work of a request.
"""

_PHC = re.compile(r"\$scrypt\$ln=(\d{1,2}),r=(\d{1,2}),p=(\d{1,2})\$([A-Za-z0-9+/]{8,64})\$([A-Za-z0-9+/]{22,128})")


@dataclass(frozen=True, slots=True)
class Hashed:
    """A password's hash with its parameters. Its repr shows nothing of it."""

    ln: int
    block: int
    parallel: int
    salt: bytes
    digest: bytes

    def __repr__(self) -> str:
        return "Hashed(...)"

    def matches(self, password: str) -> bool:
        """Is this the password? Takes a fifth of a second: call it in a thread. The comparison takes constant time."""
        return hmac.compare_digest(self.digest, _digest(password, self))

    def __str__(self) -> str:
        salt, digest = (base64.b64encode(b).decode().rstrip("=") for b in (self.salt, self.digest))
        return f"$scrypt$ln={self.ln},r={self.block},p={self.parallel}${salt}${digest}"


def _digest(password: str, made: Hashed) -> bytes:
    # Keyboards compose the same letters in two ways (SP 800-63B asks for normalisation to one of them).
    text = unicodedata.normalize("NFKC", password).encode("utf-8", "surrogatepass")
    return hashlib.scrypt(
        text,
        salt=made.salt,
        n=1 << made.ln,
        r=made.block,
        p=made.parallel,
        maxmem=MEMORY_BYTES,
        dklen=len(made.digest),
    )


def make(password: str) -> Hashed:
    """The hash of a new password. Raises ValueError, without the password, if it is too short or too long."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise ValueError(f"it has {len(password)} characters; use {SHORTEST} to {LONGEST}")
    bare = Hashed(LN, BLOCK, PARALLEL, secrets.token_bytes(SALT_BYTES), bytes(HASH_BYTES))
    return Hashed(bare.ln, bare.block, bare.parallel, bare.salt, _digest(password, bare))


def parse(text: str) -> Hashed:
    """Read a hash as `make` writes it. Raises ValueError that reveals nothing of the text."""
    found = _PHC.fullmatch(text.strip())
    if found is None:
        raise ValueError("holds no hash; make one with: watchkeeper password")
    ln, block, parallel = (int(n) for n in found.groups()[:3])
    if not (10 <= ln <= LARGEST_LN and block == BLOCK and 1 <= parallel <= LARGEST_P):
        raise ValueError("holds a hash with parameters that are not taken; make one with: watchkeeper password")
    try:
        salt, digest = (base64.b64decode(each + "=" * (-len(each) % 4), validate=True) for each in found.groups()[3:])
    except binascii.Error:
        raise ValueError("holds no hash; make one with: watchkeeper password") from None
    return Hashed(ln, block, parallel, salt, digest)
