"""A container engine: a double that answers as Podman 4.3 did, and the cgroups of a host in files."""

import os
import shutil
import subprocess
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any

from aiohttp import web

from tests.support.needs import need
from tests.support.waiting import until

SECRET = "hunter2"
"""In the environment of every container of the double: it must never leave the helper."""


def identity(number: int) -> str:
    """The id of a container."""
    return f"{number:064x}"


def container(number: int, name: str, status: str = "running", **state: Any) -> dict[str, Any]:
    """The answer about one container, shortened, as Podman 4.3.1 gave it. state: what differs in its State."""
    top: dict[str, Any] = {key: state.pop(key) for key in ("RestartCount", "LogPath", "Created") if key in state}
    policy = state.pop("policy", "unless-stopped")
    labels = {"PODMAN_SYSTEMD_UNIT": state.pop("unit")} if "unit" in state else None
    top |= {"Image": state.pop("Image", f"{number:064x}")}
    return {
        "Id": identity(number),
        "Name": f"/{name}",
        "Created": "2026-02-27T12:00:00.949140154Z",
        "RestartCount": 0,
        "LogPath": "",
        "State": {
            "Status": status, "OOMKilled": False, "Pid": 0, "ExitCode": 0, "StartedAt": "2026-02-28T22:25:01.32Z",
            "FinishedAt": "0001-01-01T00:00:00Z", "Health": {"Status": "", "FailingStreak": 0, "Log": None}, **state,
        },
        "HostConfig": {"RestartPolicy": {"Name": policy, "MaximumRetryCount": 0}, "Memory": 67108864},
        "Config": {"Image": "localhost/tide-log:latest", "Labels": labels, "Env": [f"PASSWORD={SECRET}"],
                   "Cmd": ["serve", SECRET]},
        **top,
    }  # fmt: skip


SPACE: Mapping[str, Any] = {
    "LayersSize": 0,
    "Images": [{"Id": "24", "Size": 1987655}, {"Id": "25", "Size": 12345}],
    "Containers": [{"Id": "1", "SizeRw": 12}, {"Id": "2"}],
    "Volumes": [{"Name": "data", "UsageData": {"Size": 4096, "RefCount": 1}}, {"Name": "none", "UsageData": None}],
    "BuildCache": [{"ID": "x", "Size": 77}],
}


@asynccontextmanager
async def engine(
    path: Path, containers: list[dict[str, Any]], root: Path | None = None, images: list[dict[str, Any]] | None = None
) -> AsyncIterator[list[str]]:
    """An engine at a path; yields the list of what it was asked. It answers as long as the list does not change."""
    asked: list[str] = []

    async def answer(request: web.Request) -> web.Response:
        asked.append(f"{request.method} {request.path_qs}")
        known = {f"/v1.40/containers/{each['Id']}/json": each for each in containers}
        said: Any = {
            "/v1.40/containers/json": [{"Id": each["Id"], "State": each["State"]["Status"]} for each in containers],
            "/v1.40/info": {"DockerRootDir": str(root or path.parent)},
            "/v1.40/system/df": SPACE,
            "/v1.40/images/json": images or [],
            **known,
        }.get(request.path)
        return web.json_response(said) if said is not None else web.Response(status=404)

    app = web.Application()
    app.router.add_route("*", "/{path:.*}", answer)
    runner = web.AppRunner(app)
    await runner.setup()
    await web.UnixSite(runner, str(path)).start()
    try:
        yield asked
    finally:
        await runner.cleanup()


def cgroup(root: Path, path: str, **files: str) -> Path:
    """A cgroup in files; names of files with a dot are written with an underscore."""
    folder = root / "sys/fs/cgroup" / path
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name.replace("_", ".", 1)).write_text(f"{text}\n")
    return folder


IMAGE = "tide-log:latest"
OPTIONS = ("--network=host", "--ulimit=nofile=1000:1000", "--ulimit=nproc=1000:1000", "--log-driver=k8s-file")
"""For a container on a host that limits what root may raise."""


@contextmanager
def podman(folder: Path) -> Iterator[tuple[Path, Callable[..., None]]]:
    """Podman with storage of its own and an image of busybox; yields its API's socket, and what runs it."""
    busybox, runc = shutil.which("busybox"), shutil.which("runc")
    need(shutil.which("podman") and busybox and os.geteuid() == 0, "podman, busybox-static or root is missing")
    command = [
        "podman", f"--root={folder}/root", f"--runroot={folder}/run", f"--tmpdir={folder}/tmp",
        "--storage-driver=vfs", "--cgroup-manager=cgroupfs", "--events-backend=file",
        *(["--runtime", runc] if runc else []),
    ]  # fmt: skip

    def run(*argv: str, given: bytes | None = None) -> None:
        # A check of a container's health ends with 1 if it fails.
        done = subprocess.run([*command, *argv], check=False, capture_output=True, input=given, timeout=120)
        assert done.returncode == 0 or argv[0] == "healthcheck", done.stderr

    (folder / "image/bin").mkdir(parents=True)
    shutil.copy(str(busybox), folder / "image/bin/busybox")
    (folder / "image/bin/sh").symlink_to("busybox")
    tar = subprocess.run(
        ["tar", "-C", folder / "image", "-c", "."], capture_output=True, check=True, timeout=120
    ).stdout
    run("import", "-", IMAGE, given=tar)
    socket = folder / "engine.sock"
    service = subprocess.Popen([*command, "system", "service", "--time=0", f"unix://{socket}"])
    try:
        until("the engine's socket", socket.exists, 30)
        yield socket, run
    finally:
        service.terminate()
        service.wait(30)
        run("rm", "-af", "-t", "0")
