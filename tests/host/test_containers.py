"""Containers of Podman in the machine, asked through the helper: one at its memory limit, a restart loop, a bad check.

The machine's kernel has control groups of version 2. Debian's packages are downloaded here and copied into it.
"""

import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.host.machine import IS_CONTAINER, Machine
from tests.host.station import Event, Station, instant

pytestmark = [pytest.mark.host, pytest.mark.skipif(IS_CONTAINER, reason="no containers within a container")]

SOON_S = 300.0

PACKAGES = (
    "podman", "conmon", "crun", "golang-github-containers-common", "golang-github-containers-image", "libsubid4",
    "libgpgme11", "libassuan0", "libyajl2", "busybox-static",
)  # fmt: skip

PROBES = """
[[probe]]
kind = "containers"
every = "10s"
timeout = "60s"
space_every = "10s"

[[probe]]
kind = "filesystems"
every = "10s"
"""

RUN = "podman run -d --network=host --log-driver=k8s-file"
IMAGE = "localhost/tide-log:latest"


def install(machine: Machine) -> None:
    """Podman, with an image that is busybox alone."""
    if not machine.works("command -v podman"):
        with tempfile.TemporaryDirectory() as folder:
            subprocess.run(["apt-get", "download", "-q", *PACKAGES], cwd=folder, check=True, timeout=300)
            Path(folder).chmod(0o755)
            machine.put(Path(folder), "/root/debs")
        machine.run("dpkg -i --force-depends /root/debs/*.deb", timeout_s=600)
    machine.run(
        "mkdir -p /root/image/bin && cp $(command -v busybox) /root/image/bin/busybox"
        " && ln -sf busybox /root/image/bin/sh && tar -C /root/image -c . | podman import - tide-log:latest",
        timeout_s=300,
    )


@pytest.fixture
def podman(between: Station) -> Iterator[Station]:
    """The machine with Podman, and a daemon that monitors nothing but containers and file systems."""
    machine = between.machine
    machine.run("systemctl stop watchkeeper")  # An emulated machine installs nothing beside it.
    install(machine)
    machine.run("systemctl start podman.socket")
    with between.monitoring(PROBES):
        try:
            yield between
        finally:
            machine.run("podman rm -af -t 0", timeout_s=300)


def _message(station: Station, name: str, quantity: str, after: float) -> str:
    message: Event = station.message(f"container {name}", "faulty", "raised", after, SOON_S, quantity)
    station.note(f"container {name}: raised after {instant(message['at']) - after:.1f} s: {message['headline']}")
    return " ".join(message["body"].split())


def test_containers_of_podman(podman: Station) -> None:
    """Each fault is reported by the container's name; its log is a part of the file system below."""
    machine = podman.machine
    writes = "while :; do busybox head -c 3000 /dev/zero | busybox tr '\\\\0' x; echo; busybox sleep 1; done"
    machine.run(f'{RUN} --name=ringing-db {IMAGE} /bin/sh -c "{writes}"', timeout_s=300)
    podman.wait_until("its state", lambda: ("container ringing-db", "state") in podman.series(), SOON_S)
    began = machine.now()
    machine.run(f"{RUN} --name=tide-log --memory=24m {IMAGE} /bin/busybox tail /dev/zero", timeout_s=300)
    assert "killed in it for its memory limit" in _message(podman, "tide-log", "memory kills", began)
    assert "it exited with code 137" in _message(podman, "tide-log", "state", began)
    began = machine.now()
    check = "--health-cmd='busybox false' --health-retries=1 --health-interval=disable"
    machine.run(f"{RUN} --name=nest-cams {check} {IMAGE} /bin/busybox sleep 600", timeout_s=300)
    machine.run("podman healthcheck run nest-cams || true", timeout_s=300)
    assert "its own check of its health fails" in _message(podman, "nest-cams", "state", began)
    began = machine.now()
    machine.run(f"{RUN} --name=hide-hub --restart=always {IMAGE} /bin/sh -c 'busybox sleep 3; exit 3'", timeout_s=300)
    assert "its engine restarted it" in _message(podman, "hide-hub", "restarts", began)
    machine.run("podman rm -f -t 0 hide-hub", timeout_s=300)
    log = ("container ringing-db: log", "size")
    size = podman.latest("container ringing-db: log")[log]["used"]
    podman.wait_until("a longer log", lambda: podman.latest(log[0])[log]["used"] > size, SOON_S)
    podman.note(f"log of ringing-db: {size:.0f} bytes, and it grows")
