"""A secret in a receiver's reply."""

import base64

from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.notifiers.redact import VEIL, redact


@given(st.text(), st.text(min_size=1), st.text(), st.text())
def test_no_form_of_it_is_left(user: str, secret: str, before: str, after: str) -> None:
    """Plain, and in each form in which a login sends it, with and without the padding."""
    forms = [secret.encode(), f"\0{user}\0{secret}".encode(), f"{user}\0{user}\0{secret}".encode()]
    for plain in forms:
        sent = base64.b64encode(plain).decode()
        said = redact(f"{before} {sent} {sent.rstrip('=')} {after}", user, secret)
        assert not any(form in part for part in said.split(VEIL) for form in (sent.rstrip("="), secret))


def test_the_example_of_the_standard() -> None:
    """RFC 4616, section 4: tim with the password tanstaaftanstaaf."""
    sent = base64.b64encode(b"\0tim\0tanstaaftanstaaf").decode()
    assert redact(f"535 no {sent}, nor tanstaaftanstaaf", "tim", "tanstaaftanstaaf") == f"535 no {VEIL}, nor {VEIL}"


def test_where_there_is_none() -> None:
    """Without a secret the text is unchanged."""
    assert redact("550 no such box", "tim", "") == "550 no such box"
