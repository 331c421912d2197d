"""Passkeys in Chromium with its virtual authenticator (WebAuthn, section 11), and answers that do not hold."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from aiohttp.test_utils import TestClient, TestServer
from playwright.async_api import Browser, Page

from tests.support import readstore
from tests.support.acting import PASSWORD, ActingDouble, password_file
from tests.web.conftest import HandClock, app_of
from watchkeeper.web.auth.passkeys import ceremonies
from watchkeeper.web.auth.passkeys.ceremonies import NotAccepted, Site, add, sign_in
from watchkeeper.web.auth.passkeys.challenges import LIFE_S, Challenges, Purpose
from watchkeeper.web.auth.stored_access import STORED_ACCESS, Passkey
from watchkeeper.web.server import Served, serve
from watchkeeper.web.settings import PageSettings, Reading

AUTHENTICATOR = {
    "protocol": "ctap2", "transport": "internal", "hasResidentKey": True, "hasUserVerification": True,
    "isUserVerified": True, "automaticPresenceSimulation": True,
}  # fmt: skip


@dataclass
class Phone:
    """A page in a browser with an authenticator, on a page that only who signs in may read."""

    page: Page
    served: Served
    address: str
    bodies: list[str]

    async def kept(self) -> tuple[Passkey, ...]:
        """The passkeys in the store."""
        return (await self.served.runner.app[STORED_ACCESS].read()).passkeys

    async def has(self, words: str) -> None:
        """Wait until the page says this."""
        await self.page.get_by_text(words).first.wait_for(timeout=60_000)


async def phone(browser: Browser, place: Path) -> Phone:
    """Opened at the page's own name: a browser has no passkeys for an address."""
    store = readstore.filling()
    settings = PageSettings(port=0, password=password_file(place), reading=Reading.PASSWORD)
    served = await serve(app_of(store, settings, acting=ActingDouble(store)), settings)
    context = await browser.new_context()
    page = await context.new_page()
    found = Phone(page, served, served.address.replace("127.0.0.1", "localhost"), [])
    page.on("request", lambda r: found.bodies.append(r.post_data or "") if r.url.endswith("/sign-in") else None)
    devtools = await context.new_cdp_session(page)
    await devtools.send("WebAuthn.enable")
    await devtools.send("WebAuthn.addVirtualAuthenticator", {"options": AUTHENTICATOR})
    return found


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.timeout(300)
async def test_a_passkey_from_its_making_to_its_removal(chromium: Browser, tmp_path: Path) -> None:
    """It is added after the password, then signs in without it and leads back; once removed it opens nothing."""
    one = await phone(chromium, tmp_path)
    page = one.page
    try:
        await page.goto(f"{one.address}events")
        await page.fill("#password", PASSWORD)
        await page.get_by_role("button", name="Sign in", exact=True).click()
        await page.wait_for_url("**/events")  # where the reader was going
        await page.goto(f"{one.address}operator")
        await page.fill("#device", "telephone")
        await page.get_by_role("button", name="Add a passkey").click()
        await one.has("Passkey telephone added")
        assert [(each.name, each.site) for each in await one.kept()] == [("telephone", "localhost")]

        await page.get_by_role("button", name="Sign out").click()
        await page.goto(f"{one.address}subjects/1")
        await page.get_by_role("button", name="Sign in with a passkey").click()
        await page.wait_for_url("**/subjects/1")
        (used,) = await one.kept()
        assert used.used_at is not None
        assert used.count > 0

        status = await page.evaluate(
            """async body => (await fetch('/operator/passkey/sign-in', {method: 'POST', body,
                headers: {'Content-Type': 'application/json'}})).status""",
            one.bodies[-1],
        )
        assert status == 403  # the same answer again

        await page.goto(f"{one.address}operator")
        await page.get_by_role("button", name="Remove the passkey telephone").click()
        await one.has("Passkey telephone removed.")
        await page.get_by_role("button", name="Sign out").click()
        await page.goto(f"{one.address}operator")
        await page.get_by_role("button", name="Sign in with a passkey").click()
        await one.has("The passkey was not accepted: Unknown credential ID")
    finally:
        await page.context.close()
        await one.served.cleanup()


def test_a_challenge_is_used_once_and_in_time() -> None:
    """Not twice, not for something else, not later than five minutes, and not one that was made up."""
    clock = HandClock()
    made = Challenges(clock)
    first, second = made.make(Purpose.ADD), made.make(Purpose.ADD)
    assert not made.take(first, Purpose.SIGN_IN)
    assert made.take(first, Purpose.ADD)
    assert not made.take(first, Purpose.ADD)
    assert not made.take(second[:-1] + bytes([second[-1] ^ 1]), Purpose.ADD)
    assert not made.take(b"", Purpose.ADD)
    clock.s += LIFE_S
    assert not made.take(second, Purpose.ADD)
    assert not Challenges(clock).take(made.make(Purpose.ADD), Purpose.ADD)
    assert made.take(made.make(Purpose.SIGN_IN), Purpose.SIGN_IN)
    assert len(made._used) == 1  # what is over is forgotten


@pytest.mark.parametrize(
    "answer", [{}, {"response": 1}, {"response": {"clientDataJSON": "e30"}}, {"response": {"clientDataJSON": "*"}}]
)
def test_answers_that_are_none(answer: dict[str, Any]) -> None:
    """Whatever is sent, it is refused and nothing else."""
    site, challenges = Site("localhost", "http://localhost:1"), Challenges(HandClock())
    with pytest.raises(NotAccepted):
        add(site, challenges, answer)
    with pytest.raises(NotAccepted):
        sign_in(site, challenges, answer, ())


async def test_what_is_asked_without_the_right(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only JSON, only after sign-in, only with the session's word, and only with the package."""
    store = readstore.calm()
    settings = PageSettings(password=password_file(tmp_path))
    async with TestClient(TestServer(app_of(store, settings, acting=ActingDouble(store)))) as client:
        signing_in = "/operator/passkey/sign-in"
        assert (await client.post(signing_in, data={})).status == 415
        for bad in ("[]", "no", "[" * 30_000):
            sent = await client.post(signing_in, data=bad, headers={"Content-Type": "application/json"})
            assert sent.status == 400
        big = await client.post(signing_in, json={"a": "b" * 40_000})
        assert big.status == 413
        assert (await client.post(signing_in, json={"passkey": []})).status == 403
        options = await (await client.post("/operator/passkey/options", json={})).json()
        assert "allowCredentials" not in options
        assert (await client.post("/operator/passkey/new", json={})).status == 403
        await client.post("/operator/sign-in", data={"password": PASSWORD})
        assert (await client.post("/operator/passkey/add", json={"word": "guessed"})).status == 403
        page = await (await client.get("/operator")).text()
        assert 'data-passkey="add"' in page
        monkeypatch.setattr(ceremonies, "available", lambda: False)
        missing = await client.post("/operator/passkey/options", json={})
        assert missing.status == 501
        assert "pip install" in json.loads(await missing.text())["detail"]
    async with TestClient(TestServer(app_of(store))) as client:
        assert (await client.post("/operator/passkey/options", json={})).status == 403
