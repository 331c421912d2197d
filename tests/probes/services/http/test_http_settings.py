"""The settings of the HTTP probe, and the words for errors that no server on loopback can be made to give."""

import asyncio
import socket
from typing import Any

import aiohttp
import pytest
from hypothesis import given
from hypothesis import strategies as st
from multidict import CIMultiDict, CIMultiDictProxy
from pydantic import ValidationError
from yarl import URL

from watchkeeper.clock import Clock
from watchkeeper.errors import ProbeTimeout
from watchkeeper.probes.services.http import errors as http_reasons
from watchkeeper.probes.services.http.checks import HttpSettings, decoded
from watchkeeper.probes.services.http.client import Progress, Reply, within
from watchkeeper.probes.services.tls import Handshake

GOOD: dict[str, Any] = {"name": "hide-hub", "url": "https://hide-hub.test:8443/health?full=1"}


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"url": "ftp://hide-hub.test/"}, "'ftp://hide-hub.test/' is not a URL; write http:// or https://"),
        ({"url": "hide-hub.test"}, "is not a URL"),
        ({"url": "http://"}, "is not a URL"),
        ({"url": "http://[::1"}, "is not a URL"),
        ({"url": "http://tern:42@hide-hub.test/"}, "no user or password in the address; write them as a header"),
        ({"url": "http://tern@hide-hub.test/"}, "no user or password in the address"),
        ({"status": ["abc"]}, "'abc' is not a status; write one such as 204, or a range such as 200-299"),
        ({"status": [True]}, "True is not a status"),
        ({"status": ["299-200"]}, "'299-200' is not a status"),
        ({"status": [700]}, "700 is not a status"),
        ({"status": []}, "at least 1 item"),
        ({"body_pattern": "(ok"}, r"'\(ok' is not a regular expression: missing \)"),
        ({"body_json": {"status": "ok"}}, "'status' is not a JSON Pointer"),
        ({"headers": {"X Key": "1"}}, "'X Key' is not the name of a header"),
        ({"headers": {"Authorization": "Bearer x"}}, "Authorization is a secret; write"),
        (
            {"headers": {"X-Plain": "a\r\nb: c"}},
            "the value of X-Plain holds characters that are not allowed in a header",
        ),
        ({"answer_headers": {"X:": "1"}}, "'X:' is not the name of a header"),
        ({"redirects": "always"}, "'refuse', 'same host' or 'follow'"),
        ({"method": "POST"}, "'GET' or 'HEAD'"),
        ({"ca_file": "/nowhere/ca.pem"}, "Path does not point to a file"),
        ({"max_body": "1 GiB"}, "less than or equal to 16777216"),
        ({"name": ""}, "at least 1 character"),
        ({"nmae": "x"}, "Extra inputs are not permitted"),
    ],
)
def test_settings_that_cannot_be_used(change: dict[str, Any], told: str) -> None:
    """Each wrong setting is refused with what is allowed; a password in the address is not repeated."""
    with pytest.raises(ValidationError, match=told) as caught:
        HttpSettings(**{**GOOD, **change})
    assert "tern:42" not in str(caught.value)


def test_settings_as_they_are_written() -> None:
    """Statuses may be one or several, as numbers or ranges; the defaults are what most services need."""
    assert HttpSettings(**GOOD).status == ("200-299",)
    assert HttpSettings(**GOOD, status=204).status == ("204",)
    assert HttpSettings(**GOOD, status=[200, "301-303"]).status == ("200", "301-303")
    secret = HttpSettings(**GOOD, headers={"Authorization": {"credential": "hide-hub-key"}, "X-Plain": "visible"})
    assert "visible" not in repr(secret)


def progress(*, began_s: float | None = None, stage: str = "connecting") -> Progress:
    """How far an exchange came."""
    return Progress(Clock(), URL(GOOD["url"]), Handshake(Clock(), began_s), stage=stage)


def test_what_it_was_at_when_the_time_was_up() -> None:
    """The stage that an exchange hung in is part of the reason."""
    assert http_reasons.no_answer_within(10, progress()) == "no answer within 10s (connecting)"
    assert http_reasons.no_answer_within(10, progress(began_s=1.0)) == "no answer within 10s (in the TLS handshake)"
    assert http_reasons.no_answer_within(10, progress(stage="reading the body")) == "the answer did not end within 10s"


KEY = aiohttp.client_reqrep.ConnectionKey("hide-hub.test", 80, False, True, None, None, None)


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (aiohttp.ClientConnectorError(KEY, OSError(113, "No route to host")), "no route to the host"),
        (aiohttp.ClientConnectorError(KEY, OSError(101, "Network is unreachable")), "no route to the network"),
        (aiohttp.ClientConnectorError(KEY, TimeoutError(110, "Connection timed out")), "the host does not answer"),
        (aiohttp.ClientConnectorError(KEY, OSError("Multiple\nexceptions")), "no connection: Multiple exceptions"),
        (aiohttp.ClientConnectorDNSError(KEY, ProbeTimeout("the lookup hangs")), "the lookup hangs"),
        (
            aiohttp.ClientConnectorDNSError(KEY, socket.gaierror(socket.EAI_NODATA, "No address")),
            "name hide-hub.test is not known",
        ),
        (ConnectionResetError(104, "Connection reset by peer"), "connection reset"),
        (aiohttp.InvalidURL("http://\x1b"), r"InvalidUrlClientError: http://\x1b"),
        (ValueError("odd\x00 thing"), r"ValueError: odd\x00 thing"),
    ],
)
def test_words_for_errors(error: Exception, reason: str) -> None:
    """Errors of the network and of the library are said in words, in one line."""
    assert http_reasons.why(error, "hide-hub.test") == reason.replace("InvalidUrlClientError", type(error).__name__)


async def test_a_timeout_of_the_work_itself_is_not_taken_for_ours() -> None:
    """Only the time allowed makes a None; a TimeoutError that the work raises goes on as it is."""

    async def fail() -> Reply:
        raise TimeoutError("its own")

    async def linger() -> Reply:
        await asyncio.sleep(30)
        raise AssertionError

    with pytest.raises(TimeoutError, match="its own"):
        await within(10, fail())
    assert await within(0.01, linger()) is None


@given(st.text())
def test_any_content_type_is_survived(content_type: str) -> None:
    """Whatever a server writes as Content-Type, its body is made into text."""
    headers = CIMultiDictProxy(CIMultiDict({"Content-Type": "text/plain; charset" + content_type}))
    assert isinstance(decoded(Reply(200, headers, b"ok", whole=True, url=URL("http://hide-hub.test/"))), str)
