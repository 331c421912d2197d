"""What one look into guests and containers costs, with 4, 20 and 100 of them.

Run it: `.venv/bin/python -m tests.bench.inside`. Agents and the engine are doubles in a process of their own, so that
only the probe's own processor time is counted; control groups are files.
"""

import asyncio
import multiprocessing
import multiprocessing.synchronize
import tempfile
import time
from contextlib import AsyncExitStack
from pathlib import Path

from tests.probes.agents import agent, answers
from tests.probes.engines import cgroup, container, engine
from watchkeeper.clock import Clock
from watchkeeper.probes.base import Probe, ProbeContext
from watchkeeper.probes.containers.containers import ContainersProbe, ContainersSettings
from watchkeeper.probes.guests.agents.guest_agents import GuestAgentsProbe, GuestAgentsSettings
from watchkeeper.probes.support.workers import ThreadWorkers

COUNTS = (4, 20, 100)
LOOKS = 10


def serve(folder: Path, count: int, ready: multiprocessing.synchronize.Event) -> None:
    """Agents and an engine, until the process is ended."""

    async def run() -> None:
        async with AsyncExitStack() as stack:
            for number in range(count):
                await stack.enter_async_context(agent(folder / f"{number}.agent", answers(time.time())))
            them = [container(number, f"c{number}") for number in range(count)]
            await stack.enter_async_context(engine(folder / "engine.sock", them))
            ready.set()
            await asyncio.sleep(3600)

    asyncio.run(run())


async def cost(probe: Probe) -> tuple[float, float]:
    """Processor time and duration of one look, in milliseconds."""
    await probe.observe()
    began, began_s = time.process_time(), time.perf_counter()
    for _ in range(LOOKS):
        await probe.observe()
    return (time.process_time() - began) / LOOKS * 1e3, (time.perf_counter() - began_s) / LOOKS * 1e3


async def measure(folder: Path, count: int) -> None:
    """Print a line for each sort."""
    workers = ThreadWorkers()
    context = ProbeContext(Clock(), workers)
    agents = GuestAgentsSettings.model_validate({"sockets": [f"{folder}/*.agent"]})
    by_engine = ContainersSettings.model_validate({"engines": [f"{folder}/engine.sock"]})
    for number in range(count):
        limits = {"memory_current": "9", "memory_max": "99", "pids_current": "1", "pids_max": "9"}
        cgroup(folder, f"machine.slice/systemd-nspawn@c{number}.service", **limits)
    none = ContainersSettings.model_validate({"engines": []})
    for name, probe in (
        ("guest-agents", GuestAgentsProbe(agents, context)),
        ("containers of an engine", ContainersProbe(by_engine, context, folder / "nowhere")),
        ("containers that are control groups", ContainersProbe(none, context, folder)),
    ):
        spent, took = await cost(probe)
        print(f"{name:36} {count:4}  {spent:7.1f} ms of processor time, {spent / count:5.2f} each; took {took:.0f} ms")
    workers.close()


def main() -> None:
    """Measure each count with doubles of its own."""
    for count in COUNTS:
        with tempfile.TemporaryDirectory(prefix="wk", dir="/tmp") as name:
            ready = multiprocessing.Event()
            server = multiprocessing.Process(target=serve, args=(Path(name), count, ready), daemon=True)
            server.start()
            ready.wait(30)
            asyncio.run(measure(Path(name), count))
            server.terminate()
            server.join()


if __name__ == "__main__":
    main()
