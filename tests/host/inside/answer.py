"""A service in the machine that answers after a delay: answer.py PORT FILE. FILE has the delay in seconds."""

import sys
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path


class Handler(BaseHTTPRequestHandler):
    """Answers every request alike."""

    def do_GET(self) -> None:
        """Answer after the delay."""
        time.sleep(float(Path(sys.argv[2]).read_text("ascii")))
        self.send_response(200)
        self.send_header("Content-Length", "4")
        self.end_headers()
        self.wfile.write(b"well")

    def log_message(self, *_words: object) -> None:
        """Log nothing: nobody reads it."""


ThreadingHTTPServer(("127.0.0.1", int(sys.argv[1])), Handler).serve_forever()
