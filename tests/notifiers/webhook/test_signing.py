"""Signatures according to Standard Webhooks."""

import base64
import json
from datetime import UTC, datetime

import pytest
import standardwebhooks
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.notifiers.webhook.signing import headers, key_of

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"


def test_the_published_vector() -> None:
    """The vector of the Standard Webhooks 1.0.0 reference libraries (their Go and Python tests) is reproduced."""
    sent = headers("msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}', key_of(SECRET))
    assert sent == {
        "webhook-id": "msg_p5jXN8AQM9LWM0D4loKWxJek",
        "webhook-timestamp": "1614265330",
        "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
    }


@given(st.binary(min_size=24, max_size=64), st.dictionaries(st.text(), st.text()))
def test_an_independent_verifier_agrees(key: bytes, content: dict[str, str]) -> None:
    """The standardwebhooks package accepts what is signed here, and nothing else."""
    secret, body = "whsec_" + base64.b64encode(key).decode(), json.dumps(content).encode()
    now_s = int(datetime.now(UTC).timestamp())  # the package allows five minutes
    sent = headers("b7-1", now_s, body, key_of(secret))
    verifier = standardwebhooks.Webhook(secret)
    assert verifier.verify(body, sent) == content
    with pytest.raises(standardwebhooks.WebhookVerificationError):
        verifier.verify(body + b" ", sent)


def test_without_a_key() -> None:
    """Without a key the id and the time are sent, and no signature."""
    assert headers("b7-1", 5, b"{}", None) == {"webhook-id": "b7-1", "webhook-timestamp": "5"}


@pytest.mark.parametrize("secret", [SECRET, SECRET.removeprefix("whsec_"), f" {SECRET}\n"])
def test_ways_to_write_a_secret(secret: str) -> None:
    """The prefix may be omitted, and blanks around a secret do not matter."""
    assert key_of(secret) == key_of(SECRET)


@pytest.mark.parametrize(
    ("secret", "said"),
    [
        ("whsec_hide-and-seek!", "is not base64"),
        ("whsec_" + base64.b64encode(b"x" * 23).decode(), "is a key of 23 bytes; 24 to 64 are allowed"),
        ("whsec_" + base64.b64encode(b"x" * 65).decode(), "is a key of 65 bytes"),
        ("", "is a key of 0 bytes"),
    ],
)
def test_unfit_secrets(secret: str, said: str) -> None:
    """A secret that is not a valid key is refused with what is allowed, and is not repeated."""
    with pytest.raises(ValueError, match=said) as caught:
        key_of(secret)
    assert "hide-and-seek" not in str(caught.value)
    assert caught.value.__suppress_context__ or caught.value.__context__ is None
