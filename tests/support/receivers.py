"""Real receivers and a real service on loopback, for tests that run a real daemon."""

import json
import random
import socket
import threading
from contextlib import suppress
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, cast

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session


def free_port() -> int:
    """A loopback port that nothing listens on at the moment.

    Not one of those that the kernel gives to whoever asks for any (ip_local_port_range, from 32768 on): the tests
    beside this one take many of them, and would take this one before it is used.
    """
    for port in random.sample(range(18_000, 32_000), 100):
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise AssertionError("none of 100 ports is free")


class Mailbox:
    """A real SMTP server on a free port that keeps what it receives."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.port = free_port()  # with port 0 the controller cannot report the chosen port
        self._controller = Controller(self, hostname="127.0.0.1", port=self.port)
        self._controller.start()

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802  its name
        content = cast("bytes", envelope.original_content)
        self.mails.append(BytesParser(policy=default).parsebytes(content))
        return "250 kept"

    def close(self) -> None:
        self._controller.stop()


class _Server:
    """A threading HTTP server on loopback."""

    def __init__(self, handler: type[BaseHTTPRequestHandler], port: int = 0) -> None:
        ThreadingHTTPServer.allow_reuse_address = True
        self._server = ThreadingHTTPServer(("127.0.0.1", port), handler)
        self.port = self._server.server_port
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/"

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(30)


class Hook(_Server):
    """A webhook receiver that keeps what it receives."""

    def __init__(self, port: int = 0) -> None:
        self.events: list[dict[str, Any]] = []
        events = self.events

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                events.append(json.loads(body))
                self.send_response(204)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        super().__init__(Handler, port)


class Service(_Server):
    """A service that answers `ok`; after closing it can be started again on the same port."""

    def __init__(self, port: int = 0) -> None:
        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.send_response(200)
                self.send_header("Content-Length", "2")
                self.end_headers()
                self.wfile.write(b"ok")

            def log_message(self, *_: object) -> None:
                pass

        super().__init__(Handler, port)
