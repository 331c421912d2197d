"""Why an HTTP exchange got no answer, in one clause that a tired person understands."""

import re
import ssl

import aiohttp

from watchkeeper.errors import ProbeError
from watchkeeper.http_answers import TooManyInterim
from watchkeeper.model.units import format_duration
from watchkeeper.os_errors import NETWORK, UNKNOWN_NAME, exhausted, explained
from watchkeeper.probes.services.http.client import Progress
from watchkeeper.probes.support.sanitize import clip

_QUOTED = re.compile(r":? b['\"].*")
"""The library ends its message with the bytes that it could not read."""


def no_answer_within(timeout_s: float, progress: Progress) -> str:
    """The reason for an exchange that took too long; says at which stage it was."""
    handshaking = progress.stage == "connecting" and progress.handshake.began_s is not None
    stage = "in the TLS handshake" if handshaking else progress.stage
    if stage == "reading the body":
        return f"the answer did not end within {format_duration(timeout_s)}"
    return f"no answer within {format_duration(timeout_s)} ({stage})"


def why(error: Exception, host: str) -> str:
    """The clause for an error of an exchange. Rejected certificates are worded in probes/services/tls.py.

    Raises ProbeError if this side had no descriptor or memory for it: nothing is known about the other side then.
    """
    if isinstance(error, ProbeError | TooManyInterim):
        return str(error)
    if isinstance(error, aiohttp.ClientConnectorDNSError):
        return _name_trouble(error.os_error, host)
    if isinstance(error, aiohttp.ClientConnectorError):
        return _connection_trouble(error.os_error)
    if isinstance(error, aiohttp.ServerDisconnectedError):
        return "it closed the connection without an answer"
    if isinstance(error, aiohttp.ClientPayloadError):
        return "the connection closed in the middle of the answer"
    if isinstance(error, aiohttp.ClientResponseError):
        return f"the answer is not valid HTTP: {clip(_QUOTED.sub('', _one_line(error.message)))}"
    if isinstance(error, OSError):
        return _connection_trouble(error)
    return clip(f"{type(error).__name__}: {_one_line(str(error))}")


def _name_trouble(error: OSError, host: str) -> str:
    if isinstance(error, ProbeError):
        return str(error)
    if error.errno in UNKNOWN_NAME:
        return f"name {host} is not known"
    return f"name {host} cannot be looked up: {error.strerror}"


def _connection_trouble(error: OSError) -> str:
    if exhausted(error):
        raise ProbeError(explained(error)) from error
    if isinstance(error, ssl.SSLError):
        return f"TLS failed: {clip(_one_line(error.reason or str(error)).replace('_', ' ').lower())}"
    clause = NETWORK.get(error.errno or 0)
    return clause or f"no connection: {clip(_one_line(error.strerror or str(error)))}"


def _one_line(text: str) -> str:
    return " ".join(text.split())
