"""The HTTP probe against real servers: what counts as an answer, how long each phase took, and where it follows."""

import asyncio
import re
import socket
import threading
from pathlib import Path
from typing import Any

import pytest
from aiohttp import web

from tests.probes.webservers import raw, saying, serving
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Answer, Observed, SeriesKey
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services.http.checks import HttpSettings
from watchkeeper.probes.services.http.http import HttpProbe


async def look(bench: ProbeContext, url: str, **settings: Any) -> list[Observed]:
    """One look of a new probe at an address."""
    probe = HttpProbe(HttpSettings(name="hide-hub", url=url, **{"timeout": 10.0, **settings}), bench)
    try:
        return list(await probe.observe())
    finally:
        await probe.close()


async def answer(bench: ProbeContext, url: str, **settings: Any) -> Answer:
    """The answer in one look."""
    seen = (await look(bench, url, **settings))[0]
    assert isinstance(seen, Answer)
    assert seen.answered == (not seen.reason)
    return seen


async def tell(request: web.Request) -> web.StreamResponse:
    """A service that gives back what the path asks for."""
    match request.path.split("/")[1:]:
        case ["status", code]:
            return web.Response(status=int(code), text="as asked")
        case ["to", *rest]:
            return web.Response(status=302, headers={"Location": "/".join(rest) or "/"})
        case ["moved"]:
            return web.Response(status=301, headers={"Location": request.query["to"]})
        case ["round"]:
            return web.Response(status=302, headers={"Location": "/round"})
        case ["headers"]:
            return web.json_response(dict(request.headers), headers={"X-Tide": "high", "X-Many": "a"})
        case ["method"]:
            return web.Response(text="x" * 100, headers={"X-Method": request.method})
        case ["page"]:
            return web.Response(text="doors: ok\nheaters: ok\nGänse: 42")
        case ["latin"]:
            return web.Response(body="Gänse".encode("latin-1"), headers={"Content-Type": "text/plain; charset=latin-1"})
        case ["json"]:
            return web.json_response({"status": "ok", "hides": [{"name": "north", "doors": 2}], "a/b": True})
        case _:
            return web.Response(text="all is well")


async def test_an_answer_has_its_time_and_phases(bench: ProbeContext) -> None:
    """A service that answers: the time taken, and the phases in their order, which together are not more than that."""
    async with serving(tell) as url:
        seen = await answer(bench, f"{url}/page?key=secret")
    assert seen.key == SeriesKey("service hide-hub", "answer")
    assert seen.answered
    assert [name for name, _ in seen.phases] == ["name lookup", "connect", "first byte", "body"]
    assert seen.took_s is not None
    assert all(took_s >= 0 for _, took_s in seen.phases)
    assert sum(took_s for _, took_s in seen.phases) <= seen.took_s
    assert dict(seen.facts) == {"address": f"{url}/page", "status": "200", "body": "32 B"}


async def test_phases_tell_where_the_time_goes(bench: ProbeContext) -> None:
    """A service that thinks before it answers shows in the first byte; one that sends slowly shows in the body."""

    async def slow(request: web.Request) -> web.StreamResponse:
        await asyncio.sleep(0.3)
        response = web.StreamResponse()
        await response.prepare(request)
        await response.write(b"a")
        await asyncio.sleep(0.6)
        await response.write(b"b")
        return response

    async with serving(slow) as url:
        phases = dict((await answer(bench, url)).phases)
    assert 0.3 <= phases["first byte"] < phases["body"]
    assert phases["body"] >= 0.55
    assert phases["connect"] < 0.3


async def test_every_look_is_a_fresh_connection(bench: ProbeContext) -> None:
    """The second look of the same probe connects and looks the name up again."""
    ports = []

    async def note(request: web.Request) -> web.Response:
        ports.append(request.transport.get_extra_info("peername")[1] if request.transport else 0)
        return web.Response(text="x")

    async with serving(note) as url:
        probe = HttpProbe(HttpSettings(name="hide-hub", url=url), bench)
        for _ in range(2):
            (seen,) = await probe.observe()
            assert isinstance(seen, Answer)
            assert [name for name, _ in seen.phases][:2] == ["name lookup", "connect"]
        await probe.close()
    assert len(set(ports)) == 2


@pytest.mark.parametrize(
    ("code", "expected", "reason"),
    [
        (204, ("200-299",), ""),
        (502, ("200-299",), "status 502, expected 200 to 299"),
        (404, (200, "301-303"), "status 404, expected 200 or 301 to 303"),
        (401, 401, ""),
        (200, "401", "status 200, expected 401"),
    ],
)
async def test_the_status(bench: ProbeContext, code: int, expected: Any, reason: str) -> None:
    """The status must be one of those expected; a wrong one was an answer all the same, so its time is known."""
    async with serving(tell) as url:
        seen = await answer(bench, f"{url}/status/{code}", status=expected)
    assert seen.reason == reason
    assert seen.took_s is not None


@pytest.mark.parametrize(
    ("path", "settings", "reason"),
    [
        ("page", {"body_text": "doors: ok"}, ""),
        ("page", {"body_text": "Gänse: 42"}, ""),
        ("latin", {"body_text": "Gänse"}, ""),
        ("page", {"body_text": "doors: shut"}, "body lacks 'doors: shut'"),
        ("page", {"body_pattern": r"(?m)^heaters: (ok|on)$"}, ""),
        ("page", {"body_pattern": r"heaters: \d"}, r"body does not match 'heaters: \\d'"),
        ("page", {"body_text": "ok", "body_pattern": "nobody"}, "body does not match 'nobody'"),
        ("page", {"body_text": "42", "max_body": 10}, "body lacks '42' in the part that is read (max_body)"),
        ("json", {"body_json": {"/status": "ok", "/hides/0/doors": 2, "/a~1b": True}}, ""),
        ("json", {"body_json": {"/hides/0": {"name": "north", "doors": 2.0}}}, ""),
        ("json", {"body_json": {"/status": "degraded"}}, '/status is "ok", expected "degraded"'),
        ("json", {"body_json": {"/a~1b": 1}}, "/a~1b is true, expected 1"),
        ("json", {"body_json": {"/hides/1/doors": 2}}, "body has no /hides/1"),
        ("json", {"body_json": {"": 1}}, 'the body is {"status": "ok", "hides": [{"name": "north", "doors": 2}], '),
        ("page", {"body_json": {"/status": "ok"}}, "the body is not JSON"),
        (
            "json",
            {"body_json": {"/status": "ok"}, "max_body": 10},
            "the body is larger than what is read (max_body), so its JSON cannot be looked into",
        ),
        ("headers", {"answer_headers": {"x-tide": "high"}}, ""),
        ("headers", {"answer_headers": {"Content-Type": "application/json"}}, ""),
        ("headers", {"answer_headers": {"X-Tide": "low"}}, "header X-Tide is 'high', expected 'low' in it"),
        ("headers", {"answer_headers": {"X-Moon": ""}}, "the answer lacks the header X-Moon"),
    ],
)
async def test_what_the_answer_must_be(bench: ProbeContext, path: str, settings: dict[str, Any], reason: str) -> None:
    """Text, pattern, JSON values and headers are looked for, and the reason says what was found in their place."""
    async with serving(tell) as url:
        seen = await answer(bench, f"{url}/{path}", **settings)
    assert seen.reason[: len(reason) or None] == reason


async def test_head_asks_for_no_body(bench: ProbeContext) -> None:
    """HEAD is sent as such; there is no body then."""
    async with serving(tell) as url:
        seen = await answer(bench, f"{url}/method", method="HEAD", answer_headers={"X-Method": "HEAD"})
    assert seen.answered
    assert dict(seen.facts)["body"] == "0 B"


async def test_headers_are_sent(bench: ProbeContext, tmp_path: Path) -> None:
    """Headers of the configuration are sent, a secret one from its file; nothing that is seen holds the secret."""
    (tmp_path / "key").write_text("tern-42\n")
    async with serving(tell) as url:
        seen = await answer(
            bench,
            f"{url}/headers",
            headers={"X-Api-Key": {"file": str(tmp_path / "key")}, "Accept": "application/json"},
            body_json={"/X-Api-Key": "tern-42", "/Accept": "application/json", "/Accept-Encoding": "identity"},
        )
    assert seen.answered
    assert "tern" not in repr(seen)


@pytest.mark.parametrize(
    ("content", "told"), [(None, "cannot be read: No such file"), (b"a\r\nb: c", "line break"), (b"\xff", "not text")]
)
async def test_a_secret_that_cannot_be_used(
    bench: ProbeContext, tmp_path: Path, content: bytes | None, told: str
) -> None:
    """A secret that is not there, or would break the request, is an error of the probe; its text is not in it."""
    if content is not None:
        (tmp_path / "key").write_bytes(content)
    with pytest.raises(ProbeError, match=told) as caught:
        await look(bench, "http://127.0.0.1:9/", headers={"X-Api-Key": {"file": str(tmp_path / "key")}})
    assert "X-Api-Key" in str(caught.value)
    assert "b: c" not in str(caught.value)


async def test_redirects_on_the_same_host_are_followed(bench: ProbeContext) -> None:
    """By default a redirect within the host is followed; the phases of both requests add up."""
    async with serving(tell) as url:
        seen = await answer(bench, f"{url}/to//page", body_text="doors")
    assert seen.answered
    assert dict(seen.facts)["redirected to"] == f"{url}/page"
    assert [name for name, _ in seen.phases] == ["name lookup", "connect", "first byte", "body"]


async def test_redirects_to_another_host_are_not_followed(bench: ProbeContext) -> None:
    """By default nothing is sent to a host that the configuration does not name; `follow` allows it."""
    async with serving(tell) as url, serving(tell) as other:
        away = other.replace("localhost", "127.0.0.1")
        seen = await answer(bench, f"{url}/moved?to={away}/page")
        assert seen.reason == "it redirects to another host, 127.0.0.1, and redirects is 'same host'"
        assert seen.took_s is None
        assert (await answer(bench, f"{url}/moved?to={away}/page", redirects="follow", body_text="doors")).answered


async def test_a_redirect_that_is_refused_or_expected_is_the_answer(bench: ProbeContext) -> None:
    """With `refuse`, or where its status is expected, a redirect is judged and not followed."""
    async with serving(tell) as url:
        assert (await answer(bench, f"{url}/to//page", redirects="refuse")).reason == "status 302, expected 200 to 299"
        seen = await answer(bench, f"{url}/to//page", status=(302,), answer_headers={"Location": "/page"})
        assert seen.answered


async def test_secrets_stay_with_their_origin(bench: ProbeContext, tmp_path: Path) -> None:
    """A secret header goes to the address that it was given for, and not along with a redirect to another port."""
    (tmp_path / "key").write_text("tern-42")
    headers = {"X-Api-Key": {"file": str(tmp_path / "key")}, "X-Plain": "1"}
    async with serving(tell) as url, serving(tell) as other:
        body = {"/X-Plain": "1", "/X-Api-Key": "tern-42"}
        away = await answer(bench, f"{url}/moved?to={other}/headers", headers=headers, body_json=body)
        assert away.reason == "body has no /X-Api-Key"
        home = await answer(bench, f"{url}/moved?to={url}/headers", headers=headers, body_json=body)
        assert home.answered


@pytest.mark.parametrize(
    ("to", "reason"),
    [
        ("ftp://localhost/x", "it redirects to what is no HTTP address: ftp://localhost/x"),
        ("http://[::1", "it redirects to what is no HTTP address: http://[::1"),
        ("mailto:tern@example.org", "it redirects to what is no HTTP address: mailto:tern@example.org"),
    ],
)
async def test_redirects_to_nowhere(bench: ProbeContext, to: str, reason: str) -> None:
    """A redirect to what is no HTTP address is told."""
    async with serving(tell) as url:
        assert (await answer(bench, f"{url}/moved?to={to}", redirects="follow")).reason == reason


async def test_redirects_in_a_circle_end(bench: ProbeContext) -> None:
    """A circle of redirects is left after as many as are allowed."""
    async with serving(tell) as url:
        assert (await answer(bench, f"{url}/round", redirects_limit=3)).reason == "it redirects more than 3 times"


async def test_a_redirect_without_a_target_is_judged_by_its_status(bench: ProbeContext) -> None:
    """A redirect that names no target is an answer with that status."""
    async with raw(saying(b"HTTP/1.1 302 Found\r\nContent-Length: 0\r\n\r\n")) as url:
        assert (await answer(bench, url)).reason == "status 302, expected 200 to 299"


async def test_a_name_in_a_redirect_with_a_password_is_stripped(bench: ProbeContext) -> None:
    """What a redirect says of users and passwords is not sent."""
    async with serving(tell) as url:
        to = url.replace("localhost", "tern:42@localhost") + "/headers"
        seen = await answer(bench, f"{url}/moved?to={to}", body_json={"/Authorization": "x"})
    assert seen.reason == "body has no /Authorization"
    assert "tern" not in repr(seen)


async def test_connection_refused(bench: ProbeContext) -> None:
    """Nobody listens on the port: there is no time, and the reason says it."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        seen = await answer(bench, f"http://localhost:{held.getsockname()[1]}/")
    assert (seen.reason, seen.took_s) == ("connection refused", None)


async def test_an_unknown_name(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """The name server knows no such name. Whether this machine has one is not known, so its reply is put in place."""

    def unknown(*_: object) -> None:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    assert (await answer(bench, "http://hide-hub.test/")).reason == "name hide-hub.test is not known"


async def test_a_name_that_cannot_be_looked_up(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """The name server does not work: that is said, and not that this name."""

    def fail(*_: object) -> None:
        raise socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")

    monkeypatch.setattr(socket, "getaddrinfo", fail)
    reason = (await answer(bench, "http://hide-hub.test/")).reason
    assert reason == "name hide-hub.test cannot be looked up: Temporary failure in name resolution"


async def test_a_name_lookup_that_hangs(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """A lookup that never comes back is left behind; the next look says at once that it still hangs."""
    gate = threading.Event()

    def hang(*_: object) -> list[object]:
        gate.wait(20)
        return []

    monkeypatch.setattr(socket, "getaddrinfo", hang)
    probe = HttpProbe(HttpSettings(name="hide-hub", url="http://hide-hub.test/", timeout=0.3), bench)
    (first,) = await probe.observe()
    (second,) = await probe.observe()
    gate.set()
    await probe.close()
    assert isinstance(first, Answer)
    assert isinstance(second, Answer)
    assert re.fullmatch(
        r"no answer within 0s \(looking up the name\)|name lookup of hide-hub.test has not answered within 0s",
        first.reason,
    )
    assert second.reason.startswith("name lookup of hide-hub.test still does not answer")


async def test_ipv6_addresses_with_an_interface() -> None:
    """A link-local address of IPv6 is given together with its interface."""
    from watchkeeper.probes.services.http.client import _numeric

    assert _numeric(("fe80::1", 80, 0, 3)) == "fe80::1%3"
    assert _numeric(("::1", 80, 0, 0)) == "::1"
    assert _numeric(("127.0.0.1", 80)) == "127.0.0.1"
