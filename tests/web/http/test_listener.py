"""Accepting where no descriptor is free."""

import json
import subprocess
import sys

PROGRAM = """
import asyncio, json, logging, os, resource, socket, sys
from tests.support import readstore
from tests.web.conftest import app_of
from watchkeeper.web.server import serve
from watchkeeper.web.settings import PageSettings

lines = []

class Keeps(logging.Handler):
    def emit(self, record):
        lines.append(record.getMessage())

async def main():
    logging.getLogger().addHandler(Keeps())
    asyncio.get_running_loop().set_exception_handler(lambda _loop, context: lines.append(context["message"]))
    served = await serve(app_of(readstore.calm()), PageSettings(port=0))
    port = served.runner.addresses[0][1]
    clients = [socket.socket() for _ in range(20)]
    for each in clients:
        each.setblocking(False)
    app_of(readstore.calm())
    resource.setrlimit(resource.RLIMIT_NOFILE, (100, 100))
    held = []
    try:
        while len(held) < 200:
            held.append(os.open("/dev/null", os.O_RDONLY))
    except OSError:
        pass
    for each in clients:
        each.connect_ex(("127.0.0.1", port))
    turns = 0
    end_s = asyncio.get_running_loop().time() + 3.5
    while asyncio.get_running_loop().time() < end_s:
        await asyncio.sleep(0.05)
        turns += 1
    for each in held:
        os.close(each)
    loop = asyncio.get_running_loop()
    await loop.sock_sendall(clients[0], b"GET / HTTP/1.1\\r\\nHost: localhost\\r\\n\\r\\n")
    answer = await asyncio.wait_for(loop.sock_recv(clients[0], 15), 10)
    for each in clients:
        each.close()
    await served.cleanup()
    json.dump([len(lines), lines[:1], turns, answer.decode()], sys.stdout)

asyncio.run(main())
"""


def test_accepting_without_descriptors_does_not_spin() -> None:
    """One line says why and what to do, other work goes on, and the clients that waited are answered afterwards."""
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, check=True, timeout=60)
    count, first, turns, answer = json.loads(done.stdout)
    assert count == 1, first
    assert "the page cannot accept connections (Too many open files): this process has no free" in first[0]
    assert "(limit 100)" in first[0]
    assert turns > 5
    assert answer == "HTTP/1.1 200 OK"
