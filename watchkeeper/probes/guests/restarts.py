"""Guests that a restart of the host has ended, and that may still be on their way. Pure.

A host starts its guests one after the other, and some minutes may pass until the last of them is there. One that ran
until the restart is not missed before the host has had the time to start it.
"""

from collections.abc import Mapping
from collections.abc import Set as AbstractSet

from pydantic import BaseModel, ConfigDict, Field


class RestartGrace(BaseModel):
    """What is noted of each look, by the guests' sockets.

    boot: the id of the boot of that look; empty before the first one. fine: the guests that were as they should be.
    left: those that are so no more, and since when (seconds since 1970): a host that shuts down may end its guests
    while it is still looked at. awaited: those that the restart before this boot has ended, and that are not back.
    """

    model_config = ConfigDict(frozen=True)

    boot: str = ""
    fine: frozenset[str] = frozenset()
    left: Mapping[str, float] = Field(default_factory=dict)
    awaited: frozenset[str] = frozenset()

    def looked(
        self,
        boot: str,
        now_s: float,
        *,
        fine: AbstractSet[str],
        there: AbstractSet[str],
        starting_s: float,
        up_s: float,
    ) -> "RestartGrace":
        """After another look. there: the guests that answered. starting_s: how long guests are waited for."""
        left = {path: at_s for path, at_s in self.left.items() if now_s - at_s < starting_s and path not in fine}
        awaited = self.awaited
        if self.boot and self.boot != boot:
            awaited, left = self.fine | left.keys(), {}
        else:
            left |= dict.fromkeys(self.fine - fine, now_s)
        return RestartGrace(
            boot=boot,
            fine=frozenset(fine),
            left=left,
            awaited=awaited - there if up_s < starting_s else frozenset(),
        )
