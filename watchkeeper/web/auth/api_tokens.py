"""Tokens with which programs read without a session (RFC 6750). Each has named rights, and nothing else is allowed.

The right token is never refused, however many wrong ones are sent: none can be guessed. Not here: how a token is read
(tokens.py).
"""

import math

from aiohttp import web

from watchkeeper.clock import Clock
from watchkeeper.logs.fields import Event
from watchkeeper.web.auth.budgets import Tries
from watchkeeper.web.auth.tokens import Tokens
from watchkeeper.web.auth.visitors import Visitors
from watchkeeper.web.http.problem_details import Refusal
from watchkeeper.web.settings import PageSettings, Right


class ApiTokens:
    """The tokens of one configuration."""

    def __init__(self, settings: PageSettings, visitors: Visitors, clock: Clock) -> None:
        self._rights = {each.name: frozenset(each.rights) for each in settings.token}
        secrets = {each.name: each.secret for each in settings.token}
        self._tokens = Tokens(
            lambda: secrets, lambda name: f'the token "{name}" of the page cannot be used', Event.PAGE
        )
        self._tokens.prime()
        self._visitors, self._wrong = visitors, Tries(clock)

    async def admit(self, request: web.Request, right: Right) -> None:
        """Raise Refusal without a token that has this right: 401 or 403, or 429 after too many wrong ones."""
        held = await self._held(bearer(request))
        if held is None:
            raise self._refused(request)
        if right not in held:
            raise Refusal(403, f'This token has no right "{right}"; add it to the rights of its [[page.token]].')

    async def _held(self, given: str) -> frozenset[Right] | None:
        """The rights of a token; None if there is no such token."""
        found = [rights for name, rights in self._rights.items() if given and await self._tokens.match(name, given)]
        return frozenset().union(*found) if found else None

    def _refused(self, request: web.Request) -> Refusal:
        place = self._visitors.place(request).name
        wait_s = self._wrong.wait_s(place)
        if wait_s > 0:
            seconds = math.ceil(wait_s)
            return Refusal(429, f"Too many wrong tokens: try again in {seconds} s.", {"retry_after_s": seconds})
        self._wrong.count(place)
        return Refusal(401, "This needs a token of the configuration: Authorization: Bearer TOKEN.")


def bearer(request: web.Request) -> str:
    """The token of a request; empty if it has none."""
    scheme, _, given = request.headers.get("Authorization", "").partition(" ")
    return given.strip() if scheme.lower() == "bearer" else ""


API_TOKENS = web.AppKey("api_tokens", ApiTokens)
