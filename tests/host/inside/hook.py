"""A webhook receiver in the machine: appends each event that it is sent to a file, one a line. hook.py PORT FILE"""

import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path


class Handler(BaseHTTPRequestHandler):
    """Takes every event and keeps it."""

    def do_POST(self) -> None:
        """Keep one event."""
        body = self.rfile.read(int(self.headers["Content-Length"]))
        with Path(sys.argv[2]).open("ab") as file:
            file.write(body.replace(b"\n", b" ") + b"\n")
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_words: object) -> None:
        """Nothing: the file says it all."""


ThreadingHTTPServer(("127.0.0.1", int(sys.argv[1])), Handler).serve_forever()
