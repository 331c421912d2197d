"""Makes text from outside (paths, names, server responses) safe to print, store and send."""

CLIP = 120
"""Maximum characters of untrusted text that are shown: one or two lines on a phone."""


def printable(text: str) -> str:
    """Escape bytes that are not UTF-8 (as os.fsdecode keeps them), control characters and lone surrogates."""
    return text if text.isprintable() else "".join(c if c.isprintable() else _escaped(c) for c in text)


def _escaped(c: str) -> str:
    byte = ord(c) - 0xDC00  # PEP 383: a byte that does not decode is kept as U+DC80 to U+DCFF.
    return f"\\x{byte:02x}" if 0x80 <= byte <= 0xFF else c.encode("unicode_escape").decode("ascii")


def clip(text: str, limit: int = CLIP) -> str:
    """The beginning of untrusted text, on one line."""
    text = printable(text[: limit + 1])
    return text if len(text) <= limit else text[: limit - 1] + "…"
