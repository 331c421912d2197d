"""Private addresses of the feeds, for readers and calendars that cannot sign in: a token is part of the address.

Whoever has the address can read the event log, or forecasts and due dates; nothing else, and no page. The operator
makes and revokes addresses, and each is shown once. A token has 256 random bits, so no number of tries finds one.
"""

import hashlib
import secrets

from aiohttp import web

from watchkeeper.messages.wording import clean
from watchkeeper.web.auth.form_handlers import back
from watchkeeper.web.auth.session_auth import authorized_form, origin
from watchkeeper.web.auth.stored_access import STORED_ACCESS, Access, FeedAddress
from watchkeeper.web.context import of
from watchkeeper.web.http.late import late
from watchkeeper.web.http.middleware import Handler
from watchkeeper.web.http.parameters import part
from watchkeeper.web.http.problem_details import Refusal, not_found

MOST = 20
"""Addresses: more than a household has readers."""
LONGEST_NAME = 60

FEEDS = {"events.atom": "events", "calendar.ics": "dates"}
"""The end of an address, and the handler in handlers.py."""

TOKEN = part("token", "the token of a private address", str, {"type": "string"})


def private(name: str) -> Handler:
    """The handler of a feed below a private address. name: the end of the address."""
    feed = late("feeds.handlers", FEEDS[name])

    async def handler(request: web.Request) -> web.StreamResponse:
        known = {each.digest for each in (await request.app[STORED_ACCESS].read()).feeds}
        # What is compared is a digest, so the time that it takes tells nothing about a token.
        if digest(request.match_info["token"]) not in known:
            raise not_found("There is no such address, or it was revoked.")
        return await feed(request)

    return handler


def digest(token: str) -> str:
    """What is stored of a token."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


async def make(request: web.Request) -> web.Response:
    """Make an address; the operator's page shows it once."""
    _, session, fields = await authorized_form(request)
    name = clean(" ".join(fields.get("name", "").split()), LONGEST_NAME)
    if not name:
        raise Refusal(400, "An address needs a name, such as the reader that will use it.")
    token, now = secrets.token_urlsafe(32), of(request).clock.now()
    made = FeedAddress(name=name, digest=digest(token), made_at=now)

    def added(access: Access) -> Access:
        if len(access.feeds) >= MOST:
            raise Refusal(400, f"There are {MOST} addresses already; revoke one first.")
        return access.model_copy(update={"feeds": (*access.feeds, made)})

    await request.app[STORED_ACCESS].change(added)
    session.made_address = f"{origin(request)}{of(request).prefix}/feeds/{token}/"
    session.said = f"Address for {name} made. It is shown once: copy it now."
    return back(of(request), "operator")


async def revoke(request: web.Request) -> web.Response:
    """Revoke an address: whoever reads it gets nothing from now on."""
    _, session, fields = await authorized_form(request)
    gone = [each for each in (await request.app[STORED_ACCESS].read()).feeds if each.id == fields.get("id")]

    def without(access: Access) -> Access:
        return access.model_copy(update={"feeds": tuple(each for each in access.feeds if each not in gone)})

    if gone:
        await request.app[STORED_ACCESS].change(without)
    session.said = f"Address for {gone[0].name} revoked." if gone else "There is no such address."
    return back(of(request), "operator")
