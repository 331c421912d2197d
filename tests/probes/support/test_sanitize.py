"""Text from outside is fit to be stored and shown."""

import os

from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.probes.support.sanitize import clip, printable


def test_what_can_be_printed_stays() -> None:
    """Ordinary text of any language is not changed."""
    assert printable("/srv/Vogelwarte Gänse") == "/srv/Vogelwarte Gänse"


def test_what_cannot_be_printed_is_escaped() -> None:
    """Bytes that are not UTF-8 and control characters become escapes."""
    assert printable(os.fsdecode(b"/srv/\xff\n\x1b[31m")) == r"/srv/\xff\n\x1b[31m"


@given(st.binary())
def test_any_path_can_be_stored(path: bytes) -> None:
    """Whatever a path holds, what is shown is printable and can be written as UTF-8."""
    text = printable(os.fsdecode(path))
    assert text.isprintable()
    text.encode("utf-8")


@given(st.text(st.characters(blacklist_categories=())), st.integers(2, 50))
def test_a_strangers_text_is_clipped(text: str, limit: int) -> None:
    """No more than the limit is shown, whatever was sent."""
    assert len(clip(text, limit)) <= limit
    clip(text, limit).encode("utf-8")
