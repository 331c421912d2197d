"""Text from outside (paths, names, what a server says) made fit to be printed, stored and sent."""

CLIP = 120
"""Characters of a stranger's text that are shown: a line on a phone or two."""


def printable(text: str) -> str:
    """Escape bytes that are not UTF-8 (as os.fsdecode keeps them), control characters and lone surrogates."""
    return text if text.isprintable() else "".join(c if c.isprintable() else _escaped(c) for c in text)


def _escaped(c: str) -> str:
    byte = ord(c) - 0xDC00  # PEP 383: a byte that does not decode is kept as U+DC80 to U+DCFF.
    return f"\\x{byte:02x}" if 0x80 <= byte <= 0xFF else c.encode("unicode_escape").decode("ascii")


def clip(text: str, limit: int = CLIP) -> str:
    """The beginning of a stranger's text, in one line."""
    text = printable(text[: limit + 1])
    return text if len(text) <= limit else text[: limit - 1] + "…"
