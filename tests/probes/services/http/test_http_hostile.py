"""The HTTP probe against servers that mean harm, or are broken: every answer is bounded, and none raises."""

import asyncio
import gzip
import json
import socket
import zlib

import pytest

from tests.probes.services.http.test_http import answer
from tests.probes.webservers import Raw, raw, repeating, saying
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services.http.client import NoReply, unpacked

OK = b"HTTP/1.1 200 OK\r\n"
CHUNKED = OK + b"Transfer-Encoding: chunked\r\n\r\n"


async def silent(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
    """Take the request and say nothing."""
    await reader.read()


@pytest.mark.parametrize(
    ("talk", "reason"),
    [
        (silent, "no answer within 1s (waiting for the answer)"),
        (saying(b""), "it closed the connection without an answer"),
        (saying(OK + b"Content-Length: 100\r\n\r\nhalf"), "the connection closed in the middle of the answer"),
        (saying(CHUNKED + b"nonsense\r\n"), "the answer is not valid HTTP: "),
        (repeating(OK, b"X-Drip: drop\r\n", 0.05), "no answer within 1s (waiting for the answer)"),
        (repeating(CHUNKED, b"1\r\na\r\n", 0.05), "the answer did not end within 1s"),
        (saying(b"220 mail.example.org ESMTP\r\n"), "the answer is not valid HTTP: "),
        (saying(b"\x00\xff\xfe\x80garbage\r\n\r\n"), "the answer is not valid HTTP: "),
        (saying(b"HTTP/1.1 999999 No\r\n\r\n"), "the answer is not valid HTTP: "),
        (saying(OK + b"X-Long: " + b"a" * 100_000 + b"\r\n\r\n"), "the answer is not valid HTTP: "),
        (saying(OK + b"no colon here\r\n\r\n"), "the answer is not valid HTTP: "),
        (repeating(OK, b"X-Many: " + b"a" * 4000 + b"\r\n"), "the answer is not valid HTTP: "),
        (repeating(OK, b"X-Endless: " + b"a" * 65536), "the answer is not valid HTTP: "),
        (repeating(b"", b"HTTP/1.1 100 Continue\r\n\r\n", 0.01), "it sent more than 16 interim answers (1xx)"),
        (repeating(b"", b"HTTP/1.1 103 Early Hints\r\n\r\n"), "it sent more than 16 interim answers (1xx)"),
        (saying(b"HTTP/1.1 103 Early Hints\r\n\r\n" * 10_000), "it sent more than 16 interim answers (1xx)"),
        (
            saying(OK + b"Content-Encoding: gzip\r\nContent-Length: 5\r\n\r\nplain"),
            "the body is not the gzip that it claims to be",
        ),
        (
            saying(OK + b"Content-Encoding: br\r\nContent-Length: 5\r\n\r\nplain"),
            "the body is packed as 'br', which was not asked for",
        ),
    ],
)
async def test_what_is_no_answer(bench: ProbeContext, talk: Raw, reason: str) -> None:
    """Silence, drips, broken and endless headers, and nonsense are told as what they are, within the time allowed."""
    async with raw(talk) as url, asyncio.timeout(8):
        seen = await answer(bench, url, timeout=1.0)
    assert seen.reason.startswith(reason)
    assert seen.reason.isprintable()
    assert len(seen.reason) < 200
    assert seen.took_s is None


async def test_an_endless_body_is_read_as_far_as_the_limit(bench: ProbeContext) -> None:
    """A body without an end counts as an answer where nothing is asked of it, and the time of it has an end."""
    async with raw(repeating(CHUNKED, b"10000\r\n" + b"a" * 65536 + b"\r\n")) as url:
        seen = await answer(bench, url, max_body="100 KiB")
        assert seen.answered
        assert dict(seen.facts)["body"] == "102400 B or more"
        asked = await answer(bench, url, max_body="100 KiB", body_text="ok")
        assert asked.reason == "body lacks 'ok' in the part that is read (max_body)"


async def test_a_body_of_exactly_the_limit_is_whole(bench: ProbeContext) -> None:
    """The limit itself is still read whole."""
    async with raw(saying(OK + b"Content-Length: 4\r\n\r\n1234")) as url:
        assert (await answer(bench, url, max_body=4, body_json={"": 1234})).answered
        assert (await answer(bench, url, max_body=3, body_json={"": 1234})).reason.startswith("the body is larger")


async def test_a_body_that_swells_is_bounded(bench: ProbeContext) -> None:
    """100 MiB of nothing packed into 100 KiB is unpacked as far as the limit, and no further."""
    bomb = gzip.compress(b"\0" * 100 * 2**20)
    head = OK + b"Content-Encoding: gzip\r\nContent-Length: %d\r\n\r\n" % len(bomb)
    async with raw(saying(head + bomb)) as url:
        seen = await answer(bench, url, max_body="256 KiB")
    assert dict(seen.facts)["body"] == f"{256 * 1024} B or more"


@pytest.mark.parametrize("pack", [gzip.compress, zlib.compress, lambda data: zlib.compress(data)[2:-4]])
async def test_a_packed_body_is_read(bench: ProbeContext, pack: object) -> None:
    """A body that comes packed though it was not asked for is unpacked: gzip, zlib, and the bare form of deflate."""
    assert callable(pack)
    body = pack(b'{"status": "ok"}')
    kind = b"gzip" if pack is gzip.compress else b"deflate"
    head = OK + b"Content-Encoding: %s\r\nContent-Length: %d\r\n\r\n" % (kind, len(body))
    async with raw(saying(head + body)) as url:
        assert (await answer(bench, url, body_json={"/status": "ok"})).answered


def test_unpacking_says_whether_it_was_all() -> None:
    """A packed body that was cut off is not whole."""
    packed = gzip.compress(b"a" * 1000)
    assert unpacked(packed, "gzip", 1000) == (b"a" * 1000, True)
    assert unpacked(packed, "gzip", 999) == (b"a" * 999, False)
    assert unpacked(packed[:-1], "gzip", 1000)[1] is False
    with pytest.raises(NoReply):
        unpacked(b"", "zstd", 10)


@pytest.mark.parametrize(
    "charset",
    [
        b"no-such-thing",
        b"*",
        b"*=",
        b'"',
        b"hex",
        b"rot13",
        b"idna",
        b'"utf-8\x80"',
        b"utf-16",
        b"",
        b"utf-8; charset=x",
    ],
)
async def test_a_character_set_that_is_not_one(bench: ProbeContext, charset: bytes) -> None:
    """A character set that is unknown, or no character set, does no harm: the body is read as UTF-8."""
    head = (
        OK
        + b"Content-Type: text/plain; charset"
        + (charset if charset[:1] == b"*" else b"=" + charset)
        + b"\r\nContent-Length: 2\r\n\r\n"
    )
    async with raw(saying(head + b"ok")) as url:
        seen = await answer(bench, url, body_text="ok")
    assert seen.answered or charset == b"utf-16"


async def test_bytes_that_are_no_text(bench: ProbeContext) -> None:
    """A body that is not UTF-8 is searched all the same, and a name in it is escaped where it is shown."""
    async with raw(saying(OK + b"Content-Length: 8\r\n\r\n\xff\xfe\x00ok\x1b[m")) as url:
        assert (await answer(bench, url, body_text="ok")).answered


@pytest.mark.parametrize("depth", [10, 800, 850, 900, 950, 1000, 1500])
async def test_json_that_is_nested_deeply(bench: ProbeContext, depth: int) -> None:
    """Nesting at the edge of what can be read is told in one line, whichever side of the edge it falls on."""
    body = b'{"status": ' + b"[" * depth + b'"\\ud800"' + b"]" * depth + b"}"
    async with raw(saying(OK + b"Content-Length: %d\r\n\r\n" % len(body) + body)) as url:
        reason = (await answer(bench, url, body_json={"/status": "ok"})).reason
    assert reason == "the body is not JSON" or reason.endswith(', expected "ok"')
    assert len(reason) < 200
    reason.encode("utf-8")


@pytest.mark.parametrize("body", [b"[" * 100_000, b"1" * 100_000, b'"\xff"', b"{", b"NaNN", b"\xff\xfe\x00"])
async def test_json_made_to_do_harm(bench: ProbeContext, body: bytes) -> None:
    """JSON that is nested without end, a number without end, and broken text are not JSON, and no error."""
    async with raw(saying(OK + b"Content-Length: %d\r\n\r\n" % len(body) + body)) as url:
        assert (await answer(bench, url, body_json={"/status": "ok"})).reason == "the body is not JSON"


async def test_a_value_that_does_not_fit_into_a_line(bench: ProbeContext) -> None:
    """A value and a header that are long, or hold control characters, are shown clipped and escaped."""
    body = json.dumps({"status": "\x1b[31m\n" + "a" * 10_000}).encode()
    head = OK + b"X-Odd: \x80\x9b31m" + b"b" * 2000 + b"\r\nContent-Length: %d\r\n\r\n" % len(body)
    async with raw(saying(head + body)) as url:
        for settings in ({"body_json": {"/status": "ok"}}, {"answer_headers": {"X-Odd": "ok"}}):
            reason = (await answer(bench, url, **settings)).reason
            assert reason.isprintable()
            assert len(reason) < 300


async def test_a_body_made_against_a_pattern(bench: ProbeContext) -> None:
    """A body that would keep a pattern busy for years is given up, and the reason names the remedy."""
    body = b"a" * 5000 + b"!"
    async with raw(saying(OK + b"Content-Length: %d\r\n\r\n" % len(body) + body)) as url:
        reason = (await answer(bench, url, body_pattern="(a+)+$")).reason
    assert reason == "matching the body with '(a+)+$' takes too long; write a simpler pattern"


async def test_a_redirect_made_of_nonsense(bench: ProbeContext) -> None:
    """A redirect to an endless or unprintable address is told, clipped and escaped."""
    for location in (b"http://" + b"a" * 7000, b"//\xff\xfe:\x80/", b"http://a b/", b"http://x:99999/"):
        async with raw(
            saying(b"HTTP/1.1 302 Found\r\nLocation: " + location + b"\r\nContent-Length: 0\r\n\r\n")
        ) as url:
            seen = await answer(bench, url, timeout=2.0)
        assert not seen.answered
        assert seen.reason.isprintable()
        assert len(seen.reason) < 300


async def test_a_host_that_does_not_take_connections(bench: ProbeContext) -> None:
    """A listener whose queue is full lets connections hang: told as hanging while connecting.

    Linux keeps one more connection than the backlog says, so a few fill it.
    """
    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))
        deaf.listen(0)
        fill = [socket.socket() for _ in range(4)]
        for one in fill:
            one.setblocking(False)
            one.connect_ex(deaf.getsockname())
        seen = await answer(bench, f"http://127.0.0.1:{deaf.getsockname()[1]}/", timeout=1.0)
        for one in fill:
            one.close()
    assert seen.reason == "no answer within 1s (connecting)"


async def test_a_few_interim_answers_are_no_harm(bench: ProbeContext) -> None:
    """RFC 9110 15.2: a client expects them."""
    hints = b"HTTP/1.1 103 Early Hints\r\nLink: </hide.css>\r\n\r\n" * 16
    async with raw(saying(hints + OK + b"Content-Length: 0\r\n\r\n")) as url:
        assert (await answer(bench, url)).answered
