"""What no probe covers, as a probe reports it."""

from collections.abc import Sequence
from dataclasses import replace

import pytest

from watchkeeper.model.observation import Unseen
from watchkeeper.probes.base import ProbeContext, Uncovered
from watchkeeper.probes.own.coverage import CoverageProbe, CoverageSettings


class Ports:
    """A host with a pool and a radio, and nobody who covers them."""

    asked: tuple[str, float, float] | None = None

    async def uncovered(
        self, context: ProbeContext, owner: str, look_every_s: float, timeout_s: float
    ) -> Sequence[Uncovered]:
        assert context.coverage is self
        self.asked = owner, look_every_s, timeout_s
        return [Uncovered(("zfs",), "pool skerry", "no probe"), Uncovered(("device",), "device usb-radio", "no probe")]


@pytest.mark.parametrize(
    ("exclude", "left"),
    [
        ((), ["pool skerry", "device usb-radio"]),
        (("device",), ["pool skerry"]),
        (("pool *", "device usb-*"), []),
    ],
)
async def test_what_is_listed(bench: ProbeContext, exclude: tuple[str, ...], left: list[str]) -> None:
    """Everything, except for what the operator excludes by its kind or by its name."""
    port = Ports()
    seen = await CoverageProbe(CoverageSettings(exclude=exclude), replace(bench, coverage=port)).observe()
    assert seen == [Unseen(what, "no probe") for what in left]
    assert port.asked == ("coverage", 86_400.0, 120.0)


async def test_where_nothing_compares(bench: ProbeContext) -> None:
    """It does not claim that everything is covered."""
    (seen,) = await CoverageProbe(CoverageSettings(), bench).observe()
    assert isinstance(seen, Unseen)
