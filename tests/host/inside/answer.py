"""A service in the machine that answers as slowly as it is told: answer.py PORT FILE. FILE holds seconds."""

import sys
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path


class Handler(BaseHTTPRequestHandler):
    """Answers every question alike."""

    def do_GET(self) -> None:
        """Answer, so long after the question."""
        time.sleep(float(Path(sys.argv[2]).read_text("ascii")))
        self.send_response(200)
        self.send_header("Content-Length", "4")
        self.end_headers()
        self.wfile.write(b"well")

    def log_message(self, *_words: object) -> None:
        """Nothing: nobody reads it."""


ThreadingHTTPServer(("127.0.0.1", int(sys.argv[1])), Handler).serve_forever()
