"""The settings of the guests' probe. Not here: what they lead to (guests.py)."""

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from watchkeeper.config.types import Duration, absolute_pattern
from watchkeeper.probes.support.tools import RootsideSettings

Sockets = tuple[Annotated[str, AfterValidator(absolute_pattern("/run/guests/*.qmp"))], ...]
"""Paths or globs of the sockets of guests."""

LIBVIRT_PATTERN = r"^([a-z+]+://\S*)?$"
"""An address of libvirt, or nothing."""


class GuestsSettings(RootsideSettings):
    """Guests under QEMU: whether each runs, and how much memory is allocated to all of them."""

    kind: Literal["guests"] = "guests"
    every: Duration = Field(30.0, description="time between runs")
    timeout: Duration = Field(5.0, description="time after which a guest's monitor is reported as not answering")
    sockets: Sockets = Field(
        (), description="the guests' QMP monitor sockets; paths or globs, such as /run/guests/*.qmp"
    )
    libvirt: str = Field(
        "",
        pattern=LIBVIRT_PATTERN,
        description="where libvirt is asked, such as qemu:///system; for guests that it manages. Empty: nowhere",
    )
    expected: tuple[str, ...] = Field((), description="names of guests that must be there")
    exclude: tuple[str, ...] = Field((), description="guests that may come and go, by name; globs")
    boot_grace: Duration = Field(
        900.0, description="time after a boot of the host during which guests that ran before may still be starting"
    )
    transient_limit: Duration = Field(600.0, description="how long a transient state, such as saving, counts as OK")
    memory_limit: float = Field(
        1.0, gt=0, le=100, description="share of the host's memory that may be allocated to guests; more is faulty"
    )
    errors_remembered: Duration = Field(
        86_400.0, description="how long reads and writes that failed count as a fault after the last of them"
    )
    snapshot_limit: Duration = Field(2_592_000.0, description="age above which a snapshot inside an image is a fault")
    layers_limit: int = Field(3, ge=0, le=1000, description="images below a disk's image; more are a fault")

    @model_validator(mode="after")
    def _some_source(self) -> Self:
        if not self.sockets and not self.libvirt:
            raise ValueError(
                "it has neither sockets nor libvirt; add one of them, such as /run/guests/*.qmp to sockets"
            )
        return self
