"""A real guest: QEMU with nothing to run. Its firmware reads the disk, and that is all that it needs to do."""

import asyncio
import shutil
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from tests.support.needs import need

QEMU = "qemu-system-x86_64"


@asynccontextmanager
async def machine(socket: Path, name: str, *options: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """A machine with its monitor at `socket`, which must be a short path; ended by its process id."""
    need(shutil.which(QEMU), f"{QEMU} is not installed: no real guest can be asked")
    argv = [
        QEMU, "-machine", "pc", "-accel", "tcg", "-m", "64", "-display", "none", "-nodefaults", "-name", name,
        "-qmp", f"unix:{socket},server=on,wait=off", *options,
    ]  # fmt: skip
    async with listening(socket, *argv) as process:
        yield process


@asynccontextmanager
async def listening(socket: Path, *argv: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """A program that has made its socket; ended by its process id."""
    quiet = asyncio.subprocess.DEVNULL
    process = await asyncio.create_subprocess_exec(*argv, stdout=quiet, stderr=quiet)
    try:
        async with asyncio.timeout(30):
            while not socket.exists():  # noqa: ASYNC240  another process makes it; a test may look at a path
                assert process.returncode is None, f"{argv[0]} ended before it listened"
                await asyncio.sleep(0.05)
        yield process
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()


@asynccontextmanager
async def short_folder() -> AsyncIterator[Path]:
    """A folder whose path leaves room for a socket's name: the kernel allows 107 bytes in all (unix(7))."""
    with tempfile.TemporaryDirectory(prefix="wk", dir="/tmp") as folder:
        yield Path(folder)
