"""The QEMU machine protocol (QMP): asks one guest's monitor a few read-only questions, and disconnects.

A monitor serves one client at a time, so the connection lasts no longer than the questions. Only the fixed list of
privileged/guests/monitor.py is sent: the same socket could stop or change the guest. Source: qemu-qmp-ref(7) of 7.2.
"""

import asyncio
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidationError,
    ValidatorFunctionWrapHandler,
    WrapValidator,
)

from watchkeeper.errors import ProbeError
from watchkeeper.privileged.guests.monitor import LINE_LIMIT_BYTES, MESSAGES_LIMIT, messages
from watchkeeper.probes.support.sanitize import clip


class MonitorBusy(ProbeError, TimeoutError):
    """The monitor is connected but does not answer: another program holds it, or the guest's process hangs."""


class NotMonitor(ProbeError):
    """The peer is not a QMP monitor, or it refused a question that every guest must answer."""


class _Read(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)


class _Status(_Read):
    status: str = Field(max_length=100)


class _Name(_Read):
    name: str = Field("", max_length=1000)


class _Snapshot(_Read):
    name: str = ""
    made_s: int = Field(0, alias="date-sec", ge=0)


class _Format(_Read):
    corrupt: bool = False


class _Specific(_Read):
    data: _Format = _Format()


class _Image(_Read):
    """backing: what the image was made on top of; each layer has a file, and qcow2 may hold snapshots of its own."""

    size: int | None = Field(None, alias="virtual-size", ge=0)
    allocated: int | None = Field(None, alias="actual-size", ge=0)
    filename: str = ""
    specific: _Specific = Field(_Specific(), alias="format-specific")
    snapshots: list[_Snapshot] = Field(default_factory=list)
    backing: "_Image | None" = Field(None, alias="backing-image")


def _or_none(value: object, read: ValidatorFunctionWrapHandler) -> object:
    """What is said of an image; None if it makes no sense, for the guest's state does not depend on it."""
    try:
        return read(value)
    except ValidationError:
        return None


class _Medium(_Read):
    file: str = ""
    ro: bool = False
    image: Annotated[_Image | None, WrapValidator(_or_none)] = None


class _Drive(_Read):
    """io_status: only for disks whose errors may stop the guest (virtio-blk, IDE, SCSI)."""

    device: str = ""
    qdev: str = ""
    io_status: str = Field("ok", alias="io-status")
    inserted: _Medium | None = None


class _Memory(_Read):
    base: int = Field(alias="base-memory", ge=0)
    plugged: int = Field(0, alias="plugged-memory", ge=0)


class _Balloon(_Read):
    actual: int = Field(ge=0)


class _Inside(_Read):
    total: int = Field(alias="stat-total-memory", gt=0, lt=2**63)
    available: int = Field(alias="stat-available-memory", ge=0, lt=2**63)


class _GuestStats(_Read):
    """last-update is 0 if the guest has never reported; a value that it does not report is 2^64 - 1."""

    updated_s: int = Field(alias="last-update", gt=0)
    stats: _Inside


class _Channel(_Read):
    filename: str = ""
    open: bool = Field(False, alias="frontend-open")


class _Counters(_Read):
    wr_bytes: int = Field(0, ge=0)
    failed_rd_operations: int = Field(0, ge=0)
    failed_wr_operations: int = Field(0, ge=0)
    failed_flush_operations: int = Field(0, ge=0)


class _Counts(_Read):
    device: str = ""
    qdev: str = ""
    stats: _Counters = _Counters()


M = TypeVar("M")

LAYERS_LIMIT = 100


@dataclass(frozen=True, slots=True)
class ImageState:
    """What qcow2 records about an image. layers: the files below it, the next one first. corrupt: QEMU has marked it.

    snapshots: the name and time (seconds since 1970) of each snapshot inside the image. known: all that was reported.
    """

    layers: tuple[str, ...] = ()
    corrupt: bool = False
    snapshots: tuple[tuple[str, int], ...] = ()
    known: bool = True


@dataclass(frozen=True, slots=True)
class Drive:
    """A guest's disk. name: as the monitor calls it. file: where it is stored. io_status: `ok`, or what is wrong.

    size_bytes: its virtual size. written_bytes: what the guest has written to it since its process started.
    allocated_bytes: what its file takes below; 0 for a device. Each is None if this QEMU does not report it. failed:
    reads, writes and flushes that failed since its process started.
    """

    name: str
    file: str
    io_status: str
    size_bytes: int | None = None
    written_bytes: int | None = None
    failed: tuple[int, int, int] = (0, 0, 0)
    image: ImageState = ImageState()
    allocated_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class Channel:
    """A socket through which the host talks to a guest. open: whether a program in the guest has opened its end."""

    path: str
    open: bool


@dataclass(frozen=True, slots=True)
class GuestMemory:
    """The memory inside a guest as its balloon's driver reported it, at updated_s (seconds since 1970)."""

    total_bytes: int
    available_bytes: int
    updated_s: int


@dataclass(frozen=True, slots=True)
class Guest:
    """What a monitor reports about its guest.

    name: empty if the guest has none. state: query-status, as QEMU names it. promised_bytes: memory that the guest may
    use, including hot-plugged memory; None if this QEMU does not report it. granted_bytes: what its balloon leaves of
    that; None without a balloon. failing: the disks with I/O errors. disks: those that it can write to. vcpus: None if
    this QEMU does not report them. read_only: the disks that it can only read. channels: its sockets.
    inside: its memory as it sees it; None if its balloon is not polled.
    """

    name: str
    state: str
    failing: tuple[Drive, ...] = ()
    promised_bytes: int | None = None
    granted_bytes: int | None = None
    disks: tuple[Drive, ...] = ()
    vcpus: int | None = None
    read_only: tuple[Drive, ...] = ()
    channels: tuple[Channel, ...] = ()
    inside: GuestMemory | None = None


Replies = Mapping[str, Any]
"""Question -> the monitor's whole reply to it: `{"return": ...}` or `{"error": ...}`."""


async def ask(path: str, timeout_s: float) -> Guest:
    """Ask the monitor at a unix socket about its guest.

    Raises OSError if the connection fails, MonitorBusy if no answer comes in time, NotMonitor if the answer makes no
    sense.
    """
    try:
        async with asyncio.timeout(timeout_s):
            reader, writer = await asyncio.open_unix_connection(path, limit=LINE_LIMIT_BYTES)
            try:
                return understand(await _converse(reader, writer))
            finally:
                writer.transport.abort()
    except TimeoutError:
        raise MonitorBusy(
            "its monitor does not respond: another program uses it, or the guest's process hangs"
        ) from None
    except (ValueError, RecursionError):
        raise NotMonitor("the answer is not QEMU machine protocol") from None


def read_printed(text: bytes) -> Guest:
    """Read what the privileged helper printed about a monitor (privileged/guests/monitor.py). Raises NotMonitor."""
    try:
        replies = json.loads(text)
    except (ValueError, RecursionError):
        raise NotMonitor("the helper's answer is not JSON; install the same version of both") from None
    return understand(replies if isinstance(replies, dict) else {})


def understand(replies: Replies) -> Guest:
    """What the replies to all questions say about the guest. Raises NotMonitor if they make no sense."""
    try:
        name = _Name.model_validate(_returned(replies, "query-name"))
        status = _Status.model_validate(_returned(replies, "query-status"))
        drives = _DRIVES.validate_python(_returned(replies, "query-block"))
    except ValidationError:
        raise NotMonitor("its monitor's answer is not valid") from None
    memory = _maybe(_MEMORY, replies.get("query-memory-size-summary"))
    balloon = _maybe(_BALLOON, replies.get("query-balloon"))
    vcpus = _maybe(_VCPUS, replies.get("query-cpus-fast"))
    stats = _stats(_maybe(_COUNTS, replies.get("query-blockstats")))
    disks = [(_drive(each, stats), each.inserted) for each in drives]
    return Guest(
        name.name,
        status.status,
        tuple(disk for disk, _ in disks if disk.io_status != "ok"),
        memory.base + memory.plugged if memory else None,
        balloon.actual if balloon else None,
        tuple(disk for disk, medium in disks if medium and not medium.ro),
        len(vcpus) if vcpus is not None else None,
        tuple(disk for disk, medium in disks if medium and medium.ro),
        tuple(_channels(_maybe(_CHANNELS, replies.get("query-chardev")))),
        _inside(replies),
    )


def _inside(replies: Replies) -> GuestMemory | None:
    """What the balloon's driver in the guest reported. More available than there is makes no sense."""
    found = _maybe(_STATS, replies.get("guest-stats"))
    if found is None or found.stats.available > found.stats.total:
        return None
    return GuestMemory(found.stats.total, found.stats.available, found.updated_s)


def _channels(found: list[_Channel] | None) -> Iterator[Channel]:
    """Those that are sockets in the file system: `disconnected:unix:/run/guests/hide-hub.agent,server=on`."""
    for each in found or ():
        scheme, _, rest = each.filename.removeprefix("disconnected:").partition(":")
        if scheme == "unix" and rest.startswith("/"):
            yield Channel(rest.rpartition(",server")[0] or rest, each.open)


def _stats(counted: list[_Counts] | None) -> dict[str, _Counters]:
    """The counters of each disk by both of its names: one made with -blockdev has no device name."""
    return {name: each.stats for each in counted or () for name in (each.qdev, each.device) if name}


_DRIVES = TypeAdapter(list[_Drive])
_COUNTS = TypeAdapter(list[_Counts])
_CHANNELS = TypeAdapter(list[_Channel])
_STATS = TypeAdapter(_GuestStats)
_VCPUS = TypeAdapter(list[_Read])
_MEMORY, _BALLOON = TypeAdapter(_Memory), TypeAdapter(_Balloon)


def _returned(replies: Replies, question: str) -> Any:  # noqa: ANN401  what JSON holds
    reply = replies.get(question)
    if not isinstance(reply, Mapping) or "return" not in reply:
        error = reply.get("error") if isinstance(reply, Mapping) else None
        described = error.get("desc") if isinstance(error, Mapping) else "no reply"
        raise NotMonitor(f"its monitor refused {question}: {clip(str(described))}")
    return reply["return"]


def _maybe(model: TypeAdapter[M], reply: Any) -> M | None:  # noqa: ANN401  what JSON holds
    """The answer to a question that this QEMU may not know; None if there is none."""
    try:
        return model.validate_python(reply["return"])
    except (KeyError, TypeError, ValidationError):
        return None


def _drive(drive: _Drive, stats: Mapping[str, _Counters]) -> Drive:
    # A disk created with -blockdev has no device name, only the path of its controller in the machine.
    name = drive.device or drive.qdev.removeprefix("/machine/") or "a disk"
    medium = drive.inserted
    image = medium.image if medium else None
    counted = stats.get(drive.qdev, stats.get(drive.device))
    failed = (
        (counted.failed_rd_operations, counted.failed_wr_operations, counted.failed_flush_operations)
        if counted
        else (0, 0, 0)
    )
    return Drive(
        name,
        _file(medium.file) if medium else "",
        drive.io_status,
        image.size if image else None,
        counted.wr_bytes if counted else None,
        failed,
        _image(image) if image else ImageState(),
        image.allocated if image else None,
    )


def _image(image: _Image) -> ImageState:
    """What the image and the layers below it record."""
    layers, corrupt = list[str](), image.specific.data.corrupt
    below = image.backing
    while below is not None and len(layers) < LAYERS_LIMIT:
        layers.append(_file(below.filename))
        corrupt = corrupt or below.specific.data.corrupt
        below = below.backing
    return ImageState(tuple(layers), corrupt, tuple((each.name, each.made_s) for each in image.snapshots))


def _file(reported: str) -> str:
    """The file or device of a disk. If QEMU cannot express it as a path, it prints the options as `json:{...}`."""
    if not reported.startswith("json:"):
        return reported
    try:
        options = json.loads(reported.removeprefix("json:"))
        while isinstance(options, dict) and "filename" not in options:
            options = options.get("file")
    except (ValueError, RecursionError):
        return reported
    return str(options["filename"]) if isinstance(options, dict) else reported


async def _converse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> Replies:
    """Read the greeting, and ask one question after the other. Events may come in between; they have no id."""
    if "QMP" not in await _message(reader):
        raise NotMonitor("the greeting is not that of a QMP monitor")
    replies: dict[str, dict[str, Any]] = {}
    for number, (question, message) in enumerate(messages(replies)):
        writer.write(json.dumps({**message, "id": number}).encode() + b"\n")
        replies[question] = await _reply(reader, number)
    return replies


async def _reply(reader: asyncio.StreamReader, number: int) -> dict[str, Any]:
    for _ in range(MESSAGES_LIMIT):
        message = await _message(reader)
        if message.get("id") == number:
            return message
    raise NotMonitor("its monitor sends only events and no reply")


async def _message(reader: asyncio.StreamReader) -> dict[str, Any]:
    line = await reader.readline()
    if not line.endswith(b"\n"):
        raise ConnectionResetError("its monitor closed the connection")
    message = json.loads(line)
    if not isinstance(message, dict):
        raise ValueError("not an object")  # noqa: TRY004  reported as NotMonitor, like everything that is not JSON
    return message
