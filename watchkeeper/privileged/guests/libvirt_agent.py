"""Asks the agent in one guest of libvirt the fixed questions, by `virsh`, which is one process for all of them.

The privileged part of the guest agents' probe, for guests whose agents' sockets libvirt holds: it passes questions on
for those alone who may change guests. The questions only read. What comes back is from inside the guest, and so
hostile: it is bounded and passed on as text. Sources: virsh(1) (list, qemu-agent-command), and agent.py.
"""

import json
import re
import secrets
from collections.abc import Iterator
from dataclasses import dataclass

from watchkeeper.clock import Clock
from watchkeeper.privileged.guests.agent import LINE_LIMIT_BYTES, QUESTIONS
from watchkeeper.privileged.process import PATH, Completed, run

URI = "qemu:///system"
"""The guests of the system; those of a user are asked as that user."""

AGENT_S = 3
"""How long libvirt waits for the agent to take a question."""

PATIENCE_S = 8.0
"""For all questions to one guest."""

_TIME, *_OTHERS = QUESTIONS
ORDER = (*_OTHERS, _TIME)
"""The time comes last: the end of the program is when it was asked for."""

_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_LISTED = re.compile(rf"({_UUID.pattern}) ([0-9]{{1,10}}) (.+)")


@dataclass(frozen=True, slots=True)
class Domain:
    """A guest of libvirt that has a process. number: another one after each start."""

    uuid: str
    number: int
    name: str


def list_domains(uri: str = URI, path: str = PATH) -> Completed:
    """Ask libvirt over its read-only connection for the guests that run or are paused. Raises OSError."""
    return run(("virsh", "-q", "-r", "-c", uri, "list", "--uuid", "--id", "--name"), PATIENCE_S, path=path)


def read_domains(text: bytes) -> Iterator[Domain]:
    """What it printed; other lines are left out."""
    for line in text.decode("utf-8", "surrogateescape").split("\n"):
        if found := _LISTED.fullmatch(line.rstrip()):
            yield Domain(found[1], int(found[3]), found[4])


def printed(uuid: str, uri: str = URI, path: str = PATH) -> str:
    """The replies of the agent in a guest as JSON, for the daemon, in the form of agent.py.

    Raises OSError; and ValueError, with libvirt's reason, if there is no reply at all.
    """
    if not _UUID.fullmatch(uuid):
        raise ValueError("this is no UUID of a guest")
    mark = secrets.token_hex(16)  # What a guest cannot know ends each reply.
    script = "; ".join(f"qemu-agent-command --domain {uuid} {_asking(each)}; echo {mark}" for each in ORDER)
    ran = run(("virsh", "-q", "-c", uri, script), PATIENCE_S, path=path, limit_bytes=len(ORDER) * LINE_LIMIT_BYTES)
    ended_s = Clock().now().timestamp()
    replies = read_replies(ran.stdout, mark)
    if not replies:
        raise ValueError(_why_none(ran))
    return json.dumps({"replies": replies, "host_time_s": ended_s if _TIME in replies else None})


def read_replies(text: bytes, mark: str) -> dict[str, str]:
    """Each question with the line that came back; none for one without a reply, or with one that is cut off.

    Raises ValueError for one that is too long.
    """
    *parts, _ = text.split(mark.encode("ascii"))
    return {question: line for question, part in zip(ORDER, parts, strict=False) if (line := _line(part))}


def _asking(question: str) -> str:
    message = json.dumps({"execute": question, "id": QUESTIONS.index(question)})
    return f"--timeout {AGENT_S} '{message}'"


def _line(part: bytes) -> str:
    """One reply. Raises ValueError for one that is too long."""
    if len(part) > LINE_LIMIT_BYTES:
        raise ValueError("its agent sends a line without end")
    return part.strip().decode("utf-8", "replace")


def _why_none(ran: Completed) -> str:
    """Why there is no reply, in libvirt's words."""
    if ran.missing:
        return "virsh is not installed"
    if ran.truncated:
        return "its agent sends data without end"
    said = ran.stderr.decode("utf-8", "replace").splitlines()
    causes = [line for line in said if line.strip() and "failed to connect to the hypervisor" not in line]
    return causes[0].removeprefix("error: ") if causes else "it does not answer"


def ask(uuid: str) -> Completed:
    """What `printed` returns or raises, as if a program had printed it."""
    try:
        return Completed(0, printed(uuid).encode("ascii"))
    except (OSError, ValueError) as error:
        return Completed(1, b"", str(getattr(error, "strerror", None) or error).encode("utf-8", "replace"))
