"""What a container engine reports, as the helper or this process asked it (privileged/container_engine.py). Pure."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from watchkeeper.errors import ProbeError
from watchkeeper.probes.support.sanitize import clip

KILLED = 137
"""128 + SIGKILL."""

STOPPED = frozenset({0, 130, 137, 143})
"""Exit codes of a container that ended well, or that was stopped: by SIGINT, SIGKILL or SIGTERM (128 + the signal)."""

RESTARTING = frozenset({"always", "unless-stopped"})
"""Restart policies with which an engine starts a container when it starts itself."""

NAME_CLIP = 60


class NotEngine(ProbeError):
    """What answers is no container engine, or the helper is of another version."""


class ContainerMount(BaseModel):
    """What is mounted in a container. type: `volume`, `bind` or another. source: the folder on the host."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)

    type: str = Field(max_length=100)
    name: str = Field("", max_length=1000)
    source: str = Field("", max_length=4096)
    writable: bool = False


class Container(BaseModel):
    """One container. status: as the engine names it. health: empty without a check of its own.

    image_made_s: when its image was built (seconds since 1970), as the image says. restarts: how often the engine has
    restarted it. log_path, log_bytes: of its log, where that is a file. unit: of
    systemd, which runs it. memory_limit: in bytes, 0 for none. What is not known is None.
    """

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)

    id: str = Field(max_length=100)
    name: str = Field(max_length=1000)
    status: str = Field(max_length=100)
    exit_code: int | None = None
    oom_killed: bool | None = None
    started_at: str | None = None
    finished_at: str | None = None
    health: str | None = None
    restarts: int | None = Field(None, ge=0)
    policy: str | None = None
    unit: str | None = Field(None, max_length=300)
    memory_limit: int | None = None
    image: str | None = None
    image_made_s: int | None = Field(None, lt=2**40)
    created_at: str | None = None
    log_path: str | None = Field(None, max_length=4096)
    log_bytes: int | None = Field(None, ge=0)
    cgroup: str | None = None
    mounts: list[ContainerMount] = Field(default_factory=list, max_length=1000)

    @property
    def label(self) -> str:
        """The name, without the slash that the API puts before it, safe to show."""
        return clip(self.name.removeprefix("/") or self.id[:12], NAME_CLIP)

    @property
    def runs(self) -> bool:
        """Is it running?"""
        return self.status == "running"

    @property
    def age_from(self) -> datetime | None:
        """When it was created, which is when its image was taken at the latest."""
        return _instant(self.created_at)

    def may_be_killed(self, since: datetime) -> bool:
        """Whether it has a memory limit and ended since by SIGKILL, without its engine saying why."""
        ended = _instant(self.finished_at)
        killed = not self.runs and self.exit_code == KILLED and not self.oom_killed and bool(self.memory_limit)
        return killed and ended is not None and ended >= since


@dataclass(frozen=True, slots=True)
class EngineSpace:
    """What an engine's things take, in bytes, by their name. root: the folder that holds them."""

    root: str
    taken: Mapping[str, int]


def _instant(text: str | None) -> datetime | None:
    """A time of the API; None for one without a zone, or none at all."""
    try:
        at = datetime.fromisoformat(text or "")
    except ValueError:
        return None
    return at if at.tzinfo else None


_CONTAINERS = TypeAdapter(list[Container])


def read_state(text: bytes | str) -> list[Container]:
    """The containers. Raises NotEngine."""
    try:
        return _CONTAINERS.validate_python(_object(text)["containers"])
    except (KeyError, ValidationError):
        raise NotEngine("the container engine's answer is not valid") from None


def read_space(text: bytes | str) -> EngineSpace:
    """What is taken. Raises NotEngine."""
    said = _object(text)
    root = said.pop("root", None)
    if not isinstance(root, str) or not root.startswith("/"):
        raise NotEngine("the container engine does not say where it keeps its data")
    taken = {name: size for name, size in said.items() if isinstance(size, int) and size >= 0}
    return EngineSpace(root, taken)


def _object(text: bytes | str) -> dict[str, Any]:
    try:
        said = json.loads(text)
    except (ValueError, RecursionError):
        raise NotEngine("the helper's answer is not JSON; install the same version of both") from None
    if not isinstance(said, dict):
        raise NotEngine("the container engine's answer is not valid")
    return said


def why_not_ok(container: Container, *, expected: bool) -> tuple[str, bool]:
    """Why a container is faulty, and whether it has stopped working; an empty reason if it is OK."""
    code = container.exit_code
    match container.status:
        case "running":
            return ("running, but its own check of its health fails" if container.health == "unhealthy" else ""), False
        case "restarting":
            return f"its engine restarts it again and again; it exited with code {code}", True
        case "paused":
            return "it is paused", False
        case "dead":
            return "its engine could not remove it (dead)", False
        case "exited" | "stopped" if container.oom_killed or code not in STOPPED:
            killed = ", killed because it reached its memory limit" if container.oom_killed else ""
            return f"it exited with code {code}{killed}", True
        case other:
            return (f"it must run and is {clip(other, 30)}" if expected else ""), expected
