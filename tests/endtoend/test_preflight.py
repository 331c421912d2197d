"""Is a change safe? With a real guest with two disks, a real service, and a database written by a real daemon."""

import asyncio
import json
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.probes.machines import machine, short_folder
from tests.support.daemon import Daemon, base
from tests.support.receivers import Service

MIB = 2**20
DISKS = ("hub", "hub-data")

CONFIG = (
    base("{state}")
    + """
[[probe]]
kind = "guests"
sockets = ["{run}/*.qmp"]
helper = "{run}/none.sock"
every = "5s"

[[probe]]
kind = "memory"
every = "5s"

[[probe]]
kind = "http"
name = "hide-hub"
url = "http://127.0.0.1:{port}/"
every = "5s"
timeout = "2s"
"""
)

KEPT = """
[[probe]]
kind = "snapshots"
name = "{name}"
files = ["{folder}/{name}-*.img"]
max_age = "1h"
"""

BACKUP = """
[[probe]]
kind = "snapshots"
name = "nightly"
files = ["{folder}/nightly-*"]
max_age = "26h"
backup_of = ["hide-hub"]
"""


@dataclass(frozen=True)
class Asked:
    """The result of one question."""

    code: int
    go: bool
    points: tuple[tuple[str, str, str], ...]

    def of(self, matter: str) -> list[str]:
        """The verdicts of one topic."""
        return [verdict for each, verdict, _ in self.points if each == matter]

    def reasons(self, matter: str) -> str:
        """The reasons of one topic."""
        return "; ".join(why for each, _, why in self.points if each == matter)


async def ask(config: Path, *more: str) -> Asked:
    """Run the command, and read its JSON."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "watchkeeper", "--config", str(config), "preflight", "hide-hub", "--json", *more,
        stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        async with asyncio.timeout(60):
            text, _ = await process.communicate()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    found = json.loads(text)
    points = tuple((each["name"], each["verdict"], each["reason"]) for each in found["checks"])
    return Asked(process.returncode or 0, found["go"], points)


@pytest.mark.skipif(shutil.which("qemu-system-x86_64") is None, reason="QEMU is not installed")
async def test_go_and_no_go(tmp_path: Path) -> None:
    """Both disks need a snapshot, the backup beside them does not count, the service is queried now; then it is go."""
    for name in DISKS:
        (tmp_path / f"{name}.raw").write_bytes(bytes(8 * MIB))
    (tmp_path / "hub-1.img").write_bytes(bytes(MIB))
    (tmp_path / "nightly-1").write_bytes(b"x")
    options = [part for name in DISKS for part in ("-drive", f"file={tmp_path / name}.raw,if=virtio,format=raw")]
    config, service = tmp_path / "config.toml", Service()
    async with short_folder() as run, machine(run / "hub.qmp", "hide-hub", *options):
        text = CONFIG.format(state=tmp_path / "state", run=run, port=service.port)
        text += "".join(KEPT.format(name=name, folder=tmp_path) for name in DISKS) + BACKUP.format(folder=tmp_path)
        config.write_text(text)
        (tmp_path / "state").mkdir()
        with Daemon.start(config) as running:
            for _ in range(60):
                first = await ask(config)
                if (first.of("storage-below"), first.of("monitoring"), first.of("answers")) == (["go"], ["go"], ["go"]):
                    break  # the daemon has sampled all of it
                await asyncio.sleep(0.5)
            assert first.code == 1
            assert not first.go
            assert (first.of("guest"), first.of("answers"), first.of("space")) == (["go"], ["go"], ["go"])
            assert (first.of("storage-below"), first.of("monitoring")) == (["go"], ["go"]), first.points
            assert first.of("time-to-full") == ["not known"]
            assert first.of("snapshot") == ["go", "no-go"], first.points
            assert "both are lost together" in first.reasons("backup")
            skipped = ("--skip", "time-to-full", "--skip", "backup")
            (tmp_path / "hub-data-1.img").write_bytes(bytes(MIB))
            second = await ask(config, *skipped)
            assert (second.code, second.go) == (0, True), second.points
            service.close()
            third = await ask(config, *skipped)
            assert (third.code, third.of("answers")) == (1, ["no-go"])
            assert running.stop() == 0
