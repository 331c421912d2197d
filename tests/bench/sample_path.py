"""The path of one sample of a disk through the code: `.venv/bin/python -m tests.bench.sample_path [--samples 20]`.

A real schedule runs the real probe of file systems on one mount point, into a real pipeline on a real store. Once the
first samples are in, a profiler counts what one more sample costs that changes nothing: from the tick of the schedule
to the end of the commit, in every thread. Printed are the modules of watchkeeper that were entered, the calls into
them (a coroutine that goes on counts again), and the moves: calls from one module of watchkeeper into another. The
median of the samples is printed, for the free space of a disk is never quite still.
"""

import argparse
import asyncio
import statistics
import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import UTC
from functools import partial
from pathlib import Path
from types import FrameType

from watchkeeper.alerting.rules import Rules
from watchkeeper.clock import Clock
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.periodic.scheduler import Scheduler
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.filesystems.filesystems import FilesystemsProbe, FilesystemsSettings
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.runner import Runner
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.store.store import Store

PACKAGE = "watchkeeper"
FIRST = 5
"""So many samples are taken before one is counted: the first ones make the series and its first findings."""


@dataclass
class SamplePath:
    """What one sample came through."""

    calls: Counter[str] = field(default_factory=Counter)
    moves: int = 0


class Recorder:
    """A profile function that counts while it is told to."""

    def __init__(self) -> None:
        self.path: SamplePath | None = None

    def __call__(self, frame: FrameType, event: str, _: object) -> None:
        """Count a call; threads that the workers begin later call this as well."""
        if event != "call" or self.path is None or not (module := module_of(frame)):
            return
        self.path.calls[module] += 1
        caller = frame.f_back
        while caller is not None and not module_of(caller):
            caller = caller.f_back
        if caller is not None and module_of(caller) != module:
            self.path.moves += 1


def module_of(frame: FrameType) -> str:
    """The module of watchkeeper that a frame runs in; empty for any other code."""
    name = str(frame.f_globals.get("__name__", ""))
    return name if name.split(".", 1)[0] == PACKAGE else ""


async def walked(run: Callable[[], Awaitable[None]], recorder: Recorder, samples: int) -> list[SamplePath]:
    """Take samples, and count each of those after the first ones."""
    paths = []
    for number in range(FIRST + samples):
        recorder.path = path = SamplePath()
        await run()
        recorder.path = None
        if number >= FIRST:
            paths.append(path)
    return paths


async def measure(samples: int, mount_point: str) -> list[SamplePath]:
    """Set everything up and take the samples."""
    recorder, clock, workers = Recorder(), Clock(), ThreadWorkers()
    threading.setprofile(recorder)
    with tempfile.TemporaryDirectory() as folder:
        store = await Store.open(Path(folder) / "watchkeeper.db")
        pipeline = Pipeline(PipelineState(store, Outbox(store, [], clock), clock, "gannet", UTC))
        probe = FilesystemsProbe(FilesystemsSettings(only=(mount_point,)), ProbeContext(clock, workers))
        disk, schedule = ScheduledProbe("disk", 60.0, probe, Rules()), Scheduler(clock)
        runner = Runner(pipeline, [disk])
        schedule.every(disk.label, disk.interval_s, partial(runner.run, disk.label))
        sys.setprofile(recorder)
        try:
            return await walked(lambda: schedule.now(disk.label), recorder, samples)
        finally:
            sys.setprofile(None)
            threading.setprofile(None)
            await store.close()
            workers.close()


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=20)
    parser.add_argument("--mount-point", default="/")
    args = parser.parse_args()
    paths = asyncio.run(measure(args.samples, args.mount_point))
    modules = statistics.median(len(path.calls) for path in paths)
    calls, moves = (statistics.median(each) for each in zip(*((p.calls.total(), p.moves) for p in paths), strict=True))
    print(f"one sample: {modules:.0f} modules entered, {calls:.0f} calls, {moves:.0f} moves between modules")
    for module, count in paths[-1].calls.most_common():
        print(f"{count:6d}  {module}")


if __name__ == "__main__":
    main()
