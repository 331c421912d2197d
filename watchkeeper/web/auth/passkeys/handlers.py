"""The handlers of passkeys: what a browser needs to make or use one, and what it answers. All answers are JSON.

A passkey signs in beside the password, and both work without the other. Only who is signed in adds or removes one.
"""

import asyncio
import hmac
import json
import logging
from collections.abc import Mapping
from typing import Any

from aiohttp import web

from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.messages.wording import clean
from watchkeeper.web.auth.form_handlers import back
from watchkeeper.web.auth.passkeys import ceremonies
from watchkeeper.web.auth.passkeys.ceremonies import NotAccepted, Site
from watchkeeper.web.auth.passkeys.challenges import Challenges
from watchkeeper.web.auth.session_auth import (
    COOKIE,
    SESSION_AUTH,
    authorized_form,
    origin,
    session_of,
    set_browser_cookie,
    set_cookie,
    wanted_back,
)
from watchkeeper.web.auth.sessions import Session
from watchkeeper.web.auth.stored_access import STORED_ACCESS, Access, Passkey
from watchkeeper.web.context import of
from watchkeeper.web.http.problem_details import Refusal

log = logging.getLogger(__name__)

CHALLENGES = web.AppKey("challenges", Challenges)
MOST = 20
"""Passkeys: one for each device of a household."""
LONGEST_NAME = 60
LONGEST_ANSWER = 32 * 1024
"""An answer without attestation is below 2 kB."""


def add_routes(app: web.Application, prefix: str) -> None:
    """Serve what the page's script sends; removing a passkey is a form as every other act."""
    at = f"{prefix}/operator/passkey"
    app.router.add_post(f"{at}/options", sign_in_options)
    app.router.add_post(f"{at}/sign-in", sign_in)
    app.router.add_post(f"{at}/new", new_options)
    app.router.add_post(f"{at}/add", add)


async def sign_in_options(request: web.Request) -> web.Response:
    """What a browser needs to sign in with a passkey."""
    _need(request)
    return await _options(ceremonies.request_options, _site(request), request.app[CHALLENGES])


async def sign_in(request: web.Request) -> web.Response:
    """Sign in with a passkey."""
    _need(request)
    answer, desk, context = await _body(request), request.app[SESSION_AUTH], of(request)
    access, site = await request.app[STORED_ACCESS].read(), _site(request)
    found, count = await _checked(
        ceremonies.sign_in, site, request.app[CHALLENGES], answer.get("passkey", {}), access.passkeys
    )
    used = found.model_copy(update={"count": count, "used_at": context.clock.now()})
    try:
        await request.app[STORED_ACCESS].change(lambda now: _with(now, found.id, used))
    except StoreError as error:
        raise Refusal(503, f"The passkey's counter cannot be stored: {error}") from None
    if token := request.cookies.get(COOKIE):
        desk.sessions.end(token)
    token, session = desk.sessions.begin(found.id)
    session.said = "You are signed in."
    where = wanted_back(str(answer.get("back")))
    response = _reply({"to": f"{context.prefix}/{'operator' if where is None else where}"})
    set_cookie(request, response, token, context.prefix)
    set_browser_cookie(request, response, desk.browsers.make(context.clock.now(), known=True)[0], known=True)
    return response


async def new_options(request: web.Request) -> web.Response:
    """What a browser needs to make a passkey."""
    await _signed_in(request)
    access = await request.app[STORED_ACCESS].read()
    return await _options(ceremonies.creation_options, _site(request), request.app[CHALLENGES], access.passkeys)


async def add(request: web.Request) -> web.Response:
    """Add the passkey that a browser made."""
    session, answer = await _signed_in(request)
    name = clean(" ".join(str(answer.get("name", "")).split()), LONGEST_NAME) or "passkey"
    site = _site(request)
    made = await _checked(ceremonies.add, site, request.app[CHALLENGES], answer.get("passkey", {}))
    kept = Passkey(
        id=made.id, name=name, site=site.name, data=made.data, made_at=of(request).clock.now(), count=made.count
    )

    def added(access: Access) -> Access:
        if len(access.passkeys) >= MOST:
            raise Refusal(400, f"There are {MOST} passkeys already; remove one first.")
        if any(each.id == kept.id for each in access.passkeys):
            raise Refusal(409, "This passkey exists already.")
        return access.model_copy(update={"passkeys": (*access.passkeys, kept)})

    await request.app[STORED_ACCESS].change(added)
    log.info('a passkey "%s" was added', name, extra=about(Event.PAGE))
    session.said = f"Passkey {name} added: it signs in without the password."
    return _reply({"to": f"{of(request).prefix}/operator"})


async def remove(request: web.Request) -> web.Response:
    """Remove a passkey, and end the sessions that it began."""
    _, session, fields = await authorized_form(request)
    gone = next((p for p in (await request.app[STORED_ACCESS].read()).passkeys if p.id == fields.get("id")), None)
    if gone is not None:
        name = gone.name
        await request.app[STORED_ACCESS].change(lambda now: _with(now, gone.id, None))
        request.app[SESSION_AUTH].sessions.end_of(gone.id, but=session)
        log.info('the passkey "%s" was removed', name, extra=about(Event.PAGE))
    session.said = f"Passkey {gone.name} removed." if gone else "There is no such passkey."
    return back(of(request), "operator")


def _with(access: Access, passkey_id: str, changed: Passkey | None) -> Access:
    """The same, with one passkey changed or (None) removed."""
    kept = [changed if each.id == passkey_id else each for each in access.passkeys]
    return access.model_copy(update={"passkeys": tuple(each for each in kept if each is not None)})


def _need(request: web.Request) -> None:
    if not request.app[SESSION_AUTH].open:
        raise Refusal(403, "No password is set, so nobody can sign in; set page.password in the configuration.")
    if not ceremonies.available():
        raise Refusal(501, "Passkeys need the package fido2, which is not installed here: pip install fido2.")


async def _signed_in(request: web.Request) -> tuple[Session, Mapping[str, Any]]:
    """The session and the body of a request of the operator. Raises Refusal."""
    _need(request)
    session, body = session_of(request), await _body(request)
    if session is None:
        raise Refusal(403, "This needs the password: sign in first.")
    if not hmac.compare_digest(str(body.get("word", "")).encode(), session.csrf.encode()):
        raise Refusal(403, "The request belongs to another session: reload its page and try again.")
    return session, body


def _site(request: web.Request) -> Site:
    """The page's name and origin, as the browser sees them; the name was checked (http/middleware.py)."""
    return Site(request.url.host or "", origin(request))


async def _body(request: web.Request) -> Mapping[str, Any]:
    if request.content_type != "application/json":
        raise Refusal(415, f"{request.path} takes JSON.")
    if (request.content_length or 0) > LONGEST_ANSWER:
        raise Refusal(413, "The answer is too large.")
    try:
        found = json.loads(await request.text())
    except (ValueError, RecursionError):
        raise Refusal(400, "The body is no JSON.") from None
    if not isinstance(found, dict):
        raise Refusal(400, "The body is no JSON object.")
    return found


async def _options(make: Any, *given: Any) -> web.Response:  # noqa: ANN401  one of two functions of ceremonies.py
    return _reply(await asyncio.to_thread(make, *given))


async def _checked(check: Any, *given: Any) -> Any:  # noqa: ANN401  the same
    try:
        return await asyncio.to_thread(check, *given)
    except NotAccepted as error:
        raise Refusal(403, clean(str(error), 300)) from None


def _reply(found: Mapping[str, Any]) -> web.Response:
    return web.Response(body=json.dumps(found).encode(), content_type="application/json")
