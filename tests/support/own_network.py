"""A network of the test's own, without any interface but loopback, for guests that this host must reach."""

import ctypes
import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.support.needs import need

CLONE_NEWNET = 0x40000000
"""sched.h"""


def _call(name: str, *arguments: int) -> None:
    if getattr(ctypes.CDLL(None, use_errno=True), name)(*arguments) != 0:
        raise OSError(ctypes.get_errno(), name)


@contextmanager
def own_network(tap: str, address: str) -> Iterator[None]:
    """Everything that this thread starts from now on is in a new network, with a device for a guest. As root.

    tap: the device's name, for `-netdev tap,ifname=`. address: of this host on it, such as 192.0.2.1/24.
    """
    need(
        os.geteuid() == 0 and Path("/dev/net/tun").exists(), "a network device for a guest needs root and /dev/net/tun"
    )
    before = os.open("/proc/thread-self/ns/net", os.O_RDONLY)
    try:
        _call("unshare", CLONE_NEWNET)
        for line in (
            "link set lo up",
            f"tuntap add {tap} mode tap",
            f"addr add {address} dev {tap}",
            f"link set {tap} up",
        ):
            subprocess.run(["ip", *line.split(" ")], check=True, timeout=60)
        yield
    finally:
        _call("setns", before, CLONE_NEWNET)
        os.close(before)
