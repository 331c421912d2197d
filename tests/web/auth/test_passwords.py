"""The password's hash: published vectors, its form, what is refused."""

import hashlib

import pytest

from watchkeeper.web.auth import passwords
from watchkeeper.web.auth.passwords import Hashed, make, parse

RFC_7914 = (
    "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887"
)
"""RFC 7914, section 12: scrypt of "pleaseletmein" with salt "SodiumChloride", N=16384, r=8, p=1, 64 bytes."""


def test_published_vector() -> None:
    """The comparison is scrypt's own, by RFC 7914's third vector."""
    made = Hashed(14, 8, 1, b"SodiumChloride", bytes.fromhex(RFC_7914))
    assert made.matches("pleaseletmein")
    assert not made.matches("pleaseletmeout")
    assert hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=1 << 14, r=8, p=1, dklen=64).hex() == RFC_7914


def test_round_trip() -> None:
    """What is made can be written, read back and compared; two hashes of one password differ by their salt."""
    one, other = make("the hides are heated"), make("the hides are heated")
    assert str(one) != str(other)
    assert str(one).startswith("$scrypt$ln=15,r=8,p=3$")
    again = parse(f"{one}\n")
    assert again.matches("the hides are heated")
    assert not again.matches("the hides are heate")


def test_composed_letters_are_the_same() -> None:
    """An umlaut typed as one sign or as two is the same password (NFKC)."""
    made = make("d\u00e4mmerung am strand")
    assert made.matches("da\u0308mmerung am strand")


def test_nothing_is_shown() -> None:
    """A hash does not show itself in a log or a traceback."""
    assert repr(make("the hides are heated")) == "Hashed(...)"


@pytest.mark.parametrize("password", ["", "eleven sign", "x" * (passwords.LONGEST + 1)])
def test_short_and_long_are_refused(password: str) -> None:
    """Too short or too long is told by its length, without the password."""
    with pytest.raises(ValueError, match=f"it has {len(password)} characters; use 12") as told:
        make(password)
    assert not password or password not in str(told.value)


@pytest.mark.parametrize(
    "text",
    [
        "", "the hides are heated", "$scrypt$ln=15,r=8,p=3$short$short", "$2b$12$abc",
        "$scrypt$ln=20,r=8,p=1$c2FsdHNhbHRzYWx0$" + "A" * 43,
        "$scrypt$ln=15,r=9,p=1$c2FsdHNhbHRzYWx0$" + "A" * 43,
        "$scrypt$ln=15,r=8,p=9$c2FsdHNhbHRzYWx0$" + "A" * 43,
        "$scrypt$ln=15,r=8,p=3$c2FsdHNhbHRzYWx0A$" + "A" * 45,
    ],
)  # fmt: skip
def test_other_hashes_are_refused(text: str) -> None:
    """What is no hash of ours, or one that would cost too much, says how to make one and nothing of itself."""
    with pytest.raises(ValueError, match="make one with: watchkeeper password") as told:
        parse(text)
    assert "heated" not in str(told.value)
