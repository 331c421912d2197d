"""The two ceremonies of WebAuthn: adding a passkey (7.1) and signing in with one (7.2), checked by the package fido2.

fido2 is optional (extra `passkeys`) and imported with the first passkey. Not here: HTTP and sessions (handlers.py).
"""

from __future__ import annotations

from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from watchkeeper.web.auth.passkeys.challenges import Challenges, Purpose

if TYPE_CHECKING:
    from fido2.server import Fido2Server
    from fido2.webauthn import PublicKeyCredentialDescriptor

    from watchkeeper.web.auth.stored_access import Passkey

TITLE = "watchkeeper"
"""The name of the page in the dialogue of a browser."""
OPERATOR = b"operator"
"""The user handle: there is one operator, and it says nothing about them (14.6.1)."""

Json = Mapping[str, Any]


class NotAccepted(Exception):
    """An answer of an authenticator that does not hold."""


@cache
def available() -> bool:
    """Is fido2 installed?"""
    return find_spec("fido2") is not None


@dataclass(frozen=True, slots=True)
class Site:
    """The page as a browser sees it. name: its host name (RP ID). origin: scheme, host and port."""

    name: str
    origin: str


@dataclass(frozen=True, slots=True)
class Added:
    """A passkey that was made. id, data: in base64url, as in stored_access.Passkey."""

    id: str
    data: str
    count: int


def creation_options(site: Site, challenges: Challenges, known: Sequence[Passkey]) -> Json:
    """What a browser needs to make a passkey (PublicKeyCredentialCreationOptionsJSON). known: those that exist."""
    from fido2 import webauthn  # noqa: PLC0415  optional, and seldom needed

    have = [_descriptor(each.id) for each in known if each.site == site.name]
    user = webauthn.PublicKeyCredentialUserEntity(id=OPERATOR, name="operator", display_name=f"operator of {site.name}")
    options, _ = _server(site).register_begin(
        user,
        have,
        resident_key_requirement=webauthn.ResidentKeyRequirement.REQUIRED,
        user_verification=webauthn.UserVerificationRequirement.REQUIRED,
        challenge=challenges.make(Purpose.ADD),
    )
    return dict(options.public_key)


def request_options(site: Site, challenges: Challenges) -> Json:
    """What a browser needs to sign in (PublicKeyCredentialRequestOptionsJSON). It names no passkey that exists."""
    from fido2 import webauthn  # noqa: PLC0415  optional, and seldom needed

    options, _ = _server(site).authenticate_begin(
        user_verification=webauthn.UserVerificationRequirement.REQUIRED, challenge=challenges.make(Purpose.SIGN_IN)
    )
    return dict(options.public_key)


def add(site: Site, challenges: Challenges, answer: Json) -> Added:
    """Check a new passkey. Raises NotAccepted."""
    with _refusing():
        state = _state(challenges, answer, Purpose.ADD)
        made = _server(site).register_complete(state, answer)
        data = made.credential_data
        if data is None:
            raise ValueError("it has no public key")
        return Added(_encode(data.credential_id), _encode(bytes(data)), made.counter)


def sign_in(site: Site, challenges: Challenges, answer: Json, known: Sequence[Passkey]) -> tuple[Passkey, int]:
    """The passkey that an answer was signed with, and its new counter. Raises NotAccepted."""
    from fido2 import webauthn  # noqa: PLC0415  optional, and seldom needed

    with _refusing():
        state = _state(challenges, answer, Purpose.SIGN_IN)
        of_site = {each.id: each for each in known if each.site == site.name}
        data = [webauthn.AttestedCredentialData(decode(each.data)) for each in of_site.values()]
        used = _server(site).authenticate_complete(state, data, answer)
        found = of_site[_encode(used.credential_id)]
        count = webauthn.AuthenticationResponse.from_dict(answer).response.authenticator_data.counter
        if count <= found.count and (count or found.count):
            # 7.2, step 21: a counter that does not grow is a sign of a copy.
            raise ValueError("its counter did not grow, so it may have been copied; remove it and add it again")
        return found, count


@contextmanager
def _refusing() -> Iterator[None]:
    """Turn whatever fido2 makes of a hostile answer into NotAccepted."""
    try:
        yield
    except NotAccepted:
        raise
    except Exception as error:
        raise NotAccepted(f"The passkey was not accepted: {error}.") from error


def _state(challenges: Challenges, answer: Json, purpose: Purpose) -> Json:
    """What fido2 compares an answer with: the challenge in it, if that is one of ours."""
    from fido2 import webauthn  # noqa: PLC0415  optional, and seldom needed

    challenge = webauthn.CollectedClientData(decode(answer["response"]["clientDataJSON"])).challenge
    if not challenges.take(challenge, purpose):
        raise NotAccepted("The passkey was not accepted: its challenge is over or was used already; try again.")
    return {"challenge": _encode(challenge), "user_verification": webauthn.UserVerificationRequirement.REQUIRED}


def _server(site: Site) -> Fido2Server:
    from fido2 import webauthn  # noqa: PLC0415  optional, and seldom needed
    from fido2.server import Fido2Server  # noqa: PLC0415  the same

    entity = webauthn.PublicKeyCredentialRpEntity(id=site.name, name=TITLE)
    return Fido2Server(entity, verify_origin=lambda origin: origin == site.origin)


def _descriptor(credential_id: str) -> PublicKeyCredentialDescriptor:
    from fido2 import webauthn  # noqa: PLC0415  optional, and seldom needed

    kind = webauthn.PublicKeyCredentialType.PUBLIC_KEY
    return webauthn.PublicKeyCredentialDescriptor(type=kind, id=decode(credential_id))


def _encode(data: bytes) -> str:
    return urlsafe_b64encode(data).rstrip(b"=").decode("ascii")


def decode(text: str) -> bytes:
    """Bytes from base64url without padding. Raises ValueError."""
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))
