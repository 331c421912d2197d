"""The memory inside a guest, from what its balloon's driver reported."""

import json
from typing import Any

import pytest

from tests.probes.monitors import MIB, replies
from watchkeeper.model.observation import Condition, Level
from watchkeeper.probes.guests.memory import observe_memory
from watchkeeper.probes.guests.qmp import Guest, understand

NOW_S = 1_796_000_000


def guest_of(available: int, granted: int = 256 * MIB, updated_s: int = NOW_S - 9, **stats: Any) -> Guest:
    """A guest of 256 MiB with such statistics, as QEMU 7.2 gave them."""
    said = {"stat-total-memory": 200 * MIB, "stat-available-memory": available, "stat-swap-in": 2**64 - 1, **stats}
    return understand(
        {
            **replies(memory_bytes=256 * MIB),
            "query-balloon": {"return": {"actual": granted}},
            "guest-stats": {"return": {"stats": json.loads(json.dumps(said)), "last-update": updated_s}},
        }
    )


def test_memory_inside() -> None:
    """Used is what is not available; without anything taken by the balloon it is never short."""
    level, balloon = observe_memory("hide-hub", guest_of(5 * MIB), NOW_S)
    assert isinstance(level, Level)
    assert (str(level.key), level.used, level.capacity) == ("guest hide-hub: memory inside", 195 * MIB, 200 * MIB)
    assert isinstance(balloon, Condition)
    assert balloon.ok


def test_a_squeezed_balloon() -> None:
    """Less than a tenth is available, and the balloon has taken some."""
    _, balloon = observe_memory("hide-hub", guest_of(5 * MIB, 128 * MIB), NOW_S)
    assert isinstance(balloon, Condition)
    assert balloon.reason == "its balloon leaves it 128 MiB of 256 MiB, and 5 MiB are available in it"
    _, balloon = observe_memory("hide-hub", guest_of(50 * MIB, 128 * MIB), NOW_S)
    assert isinstance(balloon, Condition)
    assert balloon.ok


@pytest.mark.parametrize(
    "guest",
    [
        guest_of(5 * MIB, updated_s=0),
        guest_of(5 * MIB, updated_s=NOW_S - 301),
        guest_of(201 * MIB),
        guest_of(2**64 - 1),
        guest_of(5, **{"stat-total-memory": 2**64 - 1}),
        understand(replies()),
    ],
)
def test_what_cannot_be_used(guest: Guest) -> None:
    """Never polled, too old, impossible, not supported by the guest, and no balloon."""
    assert list(observe_memory("hide-hub", guest, NOW_S)) == []


def test_without_the_sizes() -> None:
    """A QEMU that does not say what it gave the guest: the level alone."""
    said = Guest("hide-hub", "running", inside=guest_of(5 * MIB).inside)
    assert len(list(observe_memory("hide-hub", said, NOW_S))) == 1
