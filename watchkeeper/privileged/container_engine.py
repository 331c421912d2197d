"""Asks a container engine the fixed questions over its local socket, and prints what is needed as JSON.

`python -m ... state PATH` or `space PATH`. The privileged part of the containers' probe: who may use that socket is as
good as root, so the daemon does not. Only GET is sent, to a fixed list of paths, in which nothing varies but the ids of
containers that the engine itself listed. Of the answers only named fields are passed on: the rest holds passwords.
Source: the Docker Engine API 1.40, which Podman serves too.
"""

import http.client
import json
import os
import re
import socket
import stat
import sys
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

from watchkeeper.clock import Clock
from watchkeeper.privileged.guests.sockets import connect

API = "/v1.40"
"""Of Docker 19.03; Podman 3 and later serve it."""

ANSWER_LIMIT_BYTES = 8 * 2**20
CONTAINERS_LIMIT = 256
PATIENCE_S = 10.0
"""For each part of an answer. Podman's service starts with the first question: 6 s on an emulated machine."""

TOTAL_S = 15.0
"""For all questions together."""

_ID = re.compile(r"[0-9a-f]{64}")
_DIGEST = "sha256:"
"""Before the id of an image: Docker writes it, Podman does not."""

_UNIT_LABEL = "PODMAN_SYSTEMD_UNIT"
"""podman-auto-update(1): the unit that runs a container."""

_CGROUP = re.compile(r"0::(/\S*)\n?")


class _Engine(http.client.HTTPConnection):
    """A connection to an engine's socket."""

    def __init__(self, path: str) -> None:
        super().__init__("localhost", timeout=PATIENCE_S)
        self._path, self._clock = path, Clock()
        self._end_s = self._clock.monotonic_s() + TOTAL_S

    def connect(self) -> None:
        """Connect to the unix socket."""
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(PATIENCE_S)
        connect(self.sock, self._path)

    def ask(self, path: str) -> Any:  # noqa: ANN401  what JSON holds
        """The answer to a GET; None where the engine says that there is no such thing. Raises OSError, ValueError."""
        if self._clock.monotonic_s() > self._end_s:
            raise TimeoutError("the engine answers too slowly")
        self.request("GET", API + path)
        answer = self.getresponse()
        text = answer.read(ANSWER_LIMIT_BYTES + 1)
        if len(text) > ANSWER_LIMIT_BYTES:
            raise ValueError("the engine's answer is too long")
        if answer.status == http.HTTPStatus.NOT_FOUND:
            return None
        if answer.status != http.HTTPStatus.OK:
            raise ValueError(f"the engine answered with status {answer.status}")
        return json.loads(text)


def ask_state(path: str) -> dict[str, Any]:
    """Every container with its state. Raises OSError, and ValueError where an answer makes no sense."""
    engine = _Engine(path)
    try:
        listed = engine.ask("/containers/json?all=1") or []
        ids = [str(each["Id"]) for each in listed]
        known = [each for each in ids if _ID.fullmatch(each)][:CONTAINERS_LIMIT]
        found = [engine.ask(f"/containers/{quote(each, safe='')}/json") for each in known]
        images = _images(engine)
        return {"containers": [_state(each, images) for each in found if each is not None], "listed": len(ids)}
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError("what answers there is no container engine") from error
    finally:
        engine.close()


def _images(engine: _Engine) -> dict[str, int]:
    """When each image was built (seconds since 1970), by its id; nothing if that takes too long or makes no sense.

    Asked last: the state of the containers matters more than the age of their images.
    """
    try:
        listed = engine.ask("/images/json") or []
        return {str(each["Id"]).removeprefix(_DIGEST): each["Created"] for each in listed}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, http.client.HTTPException):
        return {}


def _state(said: Mapping[str, Any], images: Mapping[str, int]) -> dict[str, Any]:
    """The named fields of one container, with what the host shows of it."""
    state, config, host = said["State"], said.get("Config") or {}, said.get("HostConfig") or {}
    return {
        "id": said["Id"],
        "name": said["Name"],
        "status": state["Status"],
        "exit_code": state.get("ExitCode"),
        "oom_killed": state.get("OOMKilled"),
        "started_at": state.get("StartedAt"),
        "finished_at": state.get("FinishedAt"),
        "health": (state.get("Health") or {}).get("Status"),
        "restarts": said.get("RestartCount"),
        "policy": (host.get("RestartPolicy") or {}).get("Name"),
        "memory_limit": host.get("Memory"),
        "unit": (config.get("Labels") or {}).get(_UNIT_LABEL),
        "image": config.get("Image"),
        "image_made_s": images.get(str(said.get("Image")).removeprefix(_DIGEST)),
        "created_at": said.get("Created"),
        "log_path": said.get("LogPath") or None,
        "log_bytes": _log_bytes(said.get("LogPath")),
        "cgroup": _cgroup(state.get("Pid")),
        "mounts": [_mount(each) for each in said.get("Mounts") or []],
    }


def _mount(said: Mapping[str, Any]) -> dict[str, Any]:
    """What is mounted in a container: a volume with its name, or a folder of the host, and where it is there."""
    return {
        "type": said.get("Type"),
        "name": said.get("Name") or "",
        "source": said.get("Source") or "",
        "writable": bool(said.get("RW")),
    }


def _log_bytes(path: object) -> int | None:
    """The size of a container's log. Only the size is read, and no link is followed."""
    try:
        found = os.lstat(path) if isinstance(path, str) and path.startswith("/") else None
    except (OSError, ValueError):
        return None
    return found.st_size if found and stat.S_ISREG(found.st_mode) else None


def _cgroup(pid: object) -> str | None:
    """The cgroup (version 2) of a container's first process."""
    if not isinstance(pid, int) or pid <= 0:
        return None
    try:
        with open(f"/proc/{pid}/cgroup", encoding="utf-8", errors="surrogateescape") as file:  # noqa: PTH123
            lines = file.read(65_536).splitlines()
    except OSError:
        return None
    return next((found.group(1) for line in lines if (found := _CGROUP.fullmatch(line))), None)


def ask_space(path: str) -> dict[str, Any]:
    """What images, build cache, volumes and containers take. Raises OSError and ValueError."""
    engine = _Engine(path)
    try:
        info, said = engine.ask("/info"), engine.ask("/system/df")
        return {
            "root": info["DockerRootDir"],
            "images": _sum(said.get("Images"), "Size") or said.get("LayersSize"),
            "build cache": _sum(said.get("BuildCache"), "Size"),
            "volumes": sum((each.get("UsageData") or {}).get("Size") or 0 for each in said.get("Volumes") or []),
            "written by containers": _sum(said.get("Containers"), "SizeRw"),
        }
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError("what answers there is no container engine") from error
    finally:
        engine.close()


def _sum(listed: Any, name: str) -> int:  # noqa: ANN401  what JSON holds
    return sum(each.get(name) or 0 for each in listed or [])


QUESTIONS = {"state": ask_state, "space": ask_space}


FAILURES = (OSError, ValueError, RecursionError, http.client.HTTPException)
"""What a question may raise."""


def printed(question: str, path: str) -> str:
    """The answer to one of the questions as JSON. Raises FAILURES."""
    return json.dumps(QUESTIONS[question](path))


def main() -> int:
    """Ask and print. The exit status is 1 where there is nothing to print; standard error then says why."""
    try:
        print(printed(sys.argv[1], sys.argv[2]))  # noqa: T201  its output is its purpose
    except FAILURES as error:
        print(getattr(error, "strerror", None) or error, file=sys.stderr)  # noqa: T201
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
