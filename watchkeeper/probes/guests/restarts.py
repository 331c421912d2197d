"""Guests that a reboot of the host has ended, and that may still be starting. Pure.

A host starts its guests one after the other, and some minutes may pass until the last one runs. A guest that ran until
the reboot is not reported as missing before the host has had time to start it.
"""

from collections.abc import Mapping
from collections.abc import Set as AbstractSet

from pydantic import BaseModel, ConfigDict, Field


class RestartGrace(BaseModel):
    """What is stored after each check, by the guests' sockets.

    boot: the id of the boot during that check; empty before the first one. fine: the guests that were OK.
    left: those that are no longer OK, and since when (seconds since 1970): a host that shuts down may end its guests
    while it is still monitored. awaited: those that the reboot before this boot ended, and that are not back.
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
        """The state after another check. there: the guests that answered. starting_s: how long guests may take."""
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
