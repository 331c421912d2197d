"""What one look of each probe costs in processor time, beside one that only opens a connection and asks nothing.

Run it: `.venv/bin/python tests/bench/probes.py`. The servers that the HTTP probe asks run in processes of their own.
"""

import asyncio
import multiprocessing
import multiprocessing.queues
import ssl
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import trustme
from aiohttp import web

sys.path.insert(0, str(Path(__file__).parents[2]))

from watchkeeper.clock import Clock
from watchkeeper.config.types import ProbeSettings
from watchkeeper.discovery.coverage import HostCoverage
from watchkeeper.errors import ToolMissing
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.own.coverage import CoverageSettings
from watchkeeper.probes.registry import PROBES, make_probe
from watchkeeper.probes.support.workers import ThreadWorkers

LOOKS = 200


def serve(ports: "multiprocessing.queues.Queue[int]", certificate: bytes | None) -> None:
    """A service that answers with a little JSON, until it is ended."""

    async def answer(_: web.Request) -> web.Response:
        return web.json_response({"status": "ok"})

    async def run() -> None:
        app = web.Application()
        app.router.add_get("/", answer)
        runner = web.AppRunner(app)
        await runner.setup()
        context = None
        if certificate is not None:
            context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
            with tempfile.NamedTemporaryFile() as file:
                file.write(certificate)
                file.flush()
                context.load_cert_chain(file.name)
        await web.TCPSite(runner, "127.0.0.1", 0, ssl_context=context).start()
        ports.put(runner.addresses[0][1])
        await asyncio.sleep(3600)

    asyncio.run(run())


def cases(folder: Path, plain: int, secure: int) -> Iterator[tuple[str, ProbeSettings]]:
    """What is measured: a name and the settings of a probe."""
    (folder / "hide-hub.img").write_bytes(b"x")
    ca_file, body = folder / "ca.pem", {"/status": "ok"}
    own = ("self-check", "coverage")
    host = (
        "filesystems",
        "memory",
        "pressure",
        "kernel-tables",
        "restarts",
        "changes",
        "links",
        "hardware",
        "software",
    )
    for kind in (*host, "disk-latency", "mapped-devices", "storage-risks", *own):
        yield kind, PROBES[kind].settings()
    files = {"files": (str(folder / "*.img"),), "max_age": "1d", "name": "hide-hub"}
    yield "snapshots", PROBES["snapshots"].settings(**files)
    http = PROBES["http"].settings
    yield "http, by address", http(name="a", url=f"http://127.0.0.1:{plain}/", body_json=body)
    yield "http, by name", http(name="b", url=f"http://localhost:{plain}/", body_json=body)
    yield "http, refused", http(name="c", url="http://127.0.0.1:9/")
    yield "https", http(name="d", url=f"https://localhost:{secure}/", ca_file=ca_file, body_json=body)
    tcp = PROBES["tcp"].settings
    secured = {"host": "localhost", "port": secure, "tls": "direct", "ca_file": ca_file}
    yield "tcp", tcp(name="f", host="localhost", port=plain)
    yield "tcp with TLS", tcp(name="g", **secured)
    yield "tcp with TLS, and its file", tcp(name="h", **secured, certificate_file=folder / "served.pem")
    yield "https, certificate refused", http(name="e", url=f"https://localhost:{secure}/")


async def connect(port: int) -> None:
    """The yardstick: open a connection and close it."""
    _, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.close()
    await writer.wait_closed()


async def measure(folder: Path, plain: int, secure: int) -> None:
    """Print a line for each case."""
    begun = time.process_time()
    for _ in range(LOOKS):
        await connect(plain)
    yardstick = (time.process_time() - begun) / LOOKS
    print(f"{'a bare connection':30} {yardstick * 1e6:7.0f} µs")
    workers = ThreadWorkers()
    for name, settings in cases(folder, plain, secure):
        # The host is examined at the first look, which is not measured; each later one compares.
        coverage = HostCoverage(lambda: (CoverageSettings(),))
        probe = make_probe(settings, ProbeContext(Clock(), workers, coverage=coverage))
        try:
            await probe.observe()
        except ToolMissing as error:
            print(f"{name:30} not here: {error}")
            continue
        begun = time.process_time()
        for _ in range(LOOKS):
            await probe.observe()
        cost = (time.process_time() - begun) / LOOKS
        await probe.close()
        print(f"{name:30} {cost * 1e6:7.0f} µs {cost / yardstick:5.1f} ×  {cost / settings.every:.5%} of a core")
    workers.close()


def main() -> None:
    """Start the servers, measure, and end them."""
    authority = trustme.CA()
    issued = authority.issue_cert("localhost")
    chain = issued.private_key_pem.bytes() + b"".join(blob.bytes() for blob in issued.cert_chain_pems)
    ports: multiprocessing.queues.Queue[int] = multiprocessing.Queue()
    servers, found = [], []
    for certificate in (None, chain):
        servers.append(multiprocessing.Process(target=serve, args=(ports, certificate), daemon=True))
        servers[-1].start()
        found.append(ports.get())
    with tempfile.TemporaryDirectory() as folder:
        authority.cert_pem.write_to_path(str(Path(folder) / "ca.pem"))
        issued.cert_chain_pems[0].write_to_path(str(Path(folder) / "served.pem"))
        asyncio.run(measure(Path(folder), *found))
    for server in servers:
        server.terminate()
        server.join()


if __name__ == "__main__":
    main()
