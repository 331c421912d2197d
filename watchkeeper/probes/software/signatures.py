"""Whether a repository's index is signed by a key that is still valid, as gpgv(1) says, the program that apt uses too.

gpgv reads keyrings in binary form alone, so an armoured one is converted into a temporary folder first.
"""

import base64
import binascii
import re
import tempfile
from collections.abc import Iterable
from pathlib import Path

from watchkeeper.privileged.process import run
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.tools import PATH

TIMEOUT_S = 10.0
"""For one index; gpgv took 0.02 s."""

KEYRING_LIMIT_BYTES = 2**20
"""The keyring of a distribution has some 100 KiB."""

_ARMOUR = re.compile(
    rb"-----BEGIN PGP PUBLIC KEY BLOCK-----\r?\n(?:[^\n]+\n)*?\r?\n(.*?)\r?\n(?:=[^\n]*\r?\n)?-----END", re.DOTALL
)

_WORDS = {
    "EXPKEYSIG": "its signing key {} has expired",
    "REVKEYSIG": "its signing key {} was revoked",
    "EXPSIG": "its signature by key {} has expired",
    "BADSIG": "its signature by key {} is wrong",
}
"""Words of gpgv's status lines (GnuPG, doc/DETAILS) with which apt does not accept an index."""


def dearmoured(content: bytes) -> bytes:
    """A keyring in binary form: RFC 4880, section 6. Empty if none of its blocks can be read."""
    if not content.lstrip().startswith(b"-----BEGIN"):
        return content
    blocks = []
    for body in _ARMOUR.findall(content):
        try:
            blocks.append(base64.b64decode(body))
        except binascii.Error:
            continue
    return b"".join(blocks)


def troubles(releases: Iterable[Path], keyrings: Iterable[Path]) -> dict[Path, str]:
    """Why apt would not accept each index; an index whose key is not found, or that is not signed, is not in it.

    Blocks. Raises OSError if gpgv cannot be started, FileNotFoundError if it is not installed.
    """
    found = {}
    with tempfile.TemporaryDirectory(prefix="watchkeeper-") as folder:
        options = _options(keyrings, Path(folder))
        for each in releases:
            signature = each.with_name(f"{each.name}.gpg")
            if each.name.endswith("InRelease"):
                files: tuple[str, ...] = (str(each),)
            elif signature.exists():
                files = (str(signature), str(each))
            else:
                continue
            ran = run(("gpgv", "--status-fd", "1", *options, *files), TIMEOUT_S, path=PATH)
            if ran.missing:
                raise FileNotFoundError("gpgv is not installed")
            if why := refusal(ran.stdout.decode("utf-8", "replace")):
                found[each] = why
    return found


def _options(keyrings: Iterable[Path], folder: Path) -> list[str]:
    options = []
    for number, each in enumerate(keyrings):
        try:
            with each.open("rb") as file:
                content = file.read(KEYRING_LIMIT_BYTES)
        except OSError:
            continue
        copy = folder / f"{number}.gpg"
        copy.write_bytes(dearmoured(content))
        options += ["--keyring", str(copy)]
    return options


def refusal(status: str) -> str:
    """Why no signature is valid, from the status lines; empty if one is, or if none could be checked."""
    words = [line.split()[1:] for line in status.split("\n") if line.startswith("[GNUPG:] ")]
    if any(each[:1] == ["GOODSIG"] for each in words):
        return ""
    return next(
        (_WORDS[each[0]].format(clip(each[1], 40)) for each in words if len(each) > 1 and each[0] in _WORDS), ""
    )
