"""Text from outside (paths, names, what a server says) made fit to be printed, stored and sent."""

CLIP = 120
"""Characters of a stranger's text that are shown: a line on a phone or two."""


def shown(text: str) -> str:
    """Escape bytes that are not UTF-8 (as os.fsdecode keeps them) and control characters."""
    if text.isprintable():
        return text
    whole = text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in whole)


def clipped(text: str, limit: int = CLIP) -> str:
    """The beginning of a stranger's text, in one line."""
    text = shown(text[: limit + 1])
    return text if len(text) <= limit else text[: limit - 1] + "…"
