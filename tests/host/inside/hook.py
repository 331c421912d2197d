"""A webhook receiver in the machine: appends each event that it is sent to a file, one a line.

hook.py PORT FILE [CLOSED]: while the file CLOSED exists, it accepts nothing and asks to be tried again in ten seconds
(503 with Retry-After, RFC 9110 10.2.3).
"""

import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path


class Handler(BaseHTTPRequestHandler):
    """Accepts events and writes them down."""

    def do_POST(self) -> None:
        """Write one event down, or refuse it for now."""
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if any(Path(each).exists() for each in sys.argv[3:]):
            self.send_response(503)
            self.send_header("Retry-After", "10")
            self.send_header("Content-Length", "0")
        else:
            with Path(sys.argv[2]).open("ab") as file:
                file.write(body.replace(b"\n", b" ") + b"\n")
            self.send_response(204)
        self.end_headers()

    def log_message(self, *_words: object) -> None:
        """Log nothing: the file has everything."""


ThreadingHTTPServer(("127.0.0.1", int(sys.argv[1])), Handler).serve_forever()
