"""What finders read with, and how they report what prevented them: which privilege is missing, and how to grant it."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from watchkeeper.config.types import WholePath
from watchkeeper.discovery.proposal import Found, Unseen
from watchkeeper.errors import PrivilegeMissing, ToolMissing
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.tools import SOCKET

TIMEOUT_S = 15.0
"""For reading one kind of thing. A person is waiting; what takes longer is reported as not examined."""

HELPER = (
    "Start the helper, which runs a fixed list of read-only commands as root "
    "(deploy/systemd/watchkeeper-helper.socket), or run this once as root: sudo watchkeeper discover"
)
"""The remedy for everything that only root may see."""


@dataclass(frozen=True, slots=True)
class Listener:
    """A TCP port with a listener. address: empty if it is not known. pid: None if it is another user's process."""

    port: int
    address: str = ""
    pid: int | None = None


class ListPorts(Protocol):
    """Lists who listens on this host."""

    def __call__(self) -> Sequence[Listener]:
        """Raises OSError if the ports cannot be read."""
        ...


@dataclass(frozen=True, slots=True)
class Host:
    """The host to discover. root: of /proc, /sys, /dev and /run; another folder for tests.

    ask_web: whether a request may be sent to listening ports. own_port: where watchkeeper's own page is served.
    """

    bench: ProbeContext
    ears: ListPorts
    root: Path = Path("/")
    helper: WholePath = field(default=SOCKET)
    timeout_s: float = TIMEOUT_S
    ask_web: bool = True
    own_port: int = 0


def unseen(what: str, error: Exception, remedy: str = "") -> Found:
    """What could not be seen because of one error."""
    why = (error.strerror if isinstance(error, OSError) else None) or str(error) or type(error).__name__
    if not remedy and isinstance(error, PrivilegeMissing):
        remedy = HELPER
    if not remedy and isinstance(error, ToolMissing):
        remedy = "Install it, then run `watchkeeper discover` again."
    return Found(unseen=(Unseen(what, clip(why, 300), remedy),))
