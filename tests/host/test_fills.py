"""Four stores are filled at once while the daemon runs: each is reported in time, with the right time to full.

The tolerance: the reported time left may differ from the actual one by 15 % of that, plus two of the probe's intervals
and SETTLES_S. 15 % is how uneven the fills themselves are (metadata comes in leaves and nodes, a pool's own copies of
it in transaction groups). The intervals: a level is known only when it is sampled, and a request to the helper takes
seconds in an emulated machine. SETTLES_S: ZFS counts what was written when its transaction group is closed, every 5 s;
btrfs when it commits, here every 2 s.

The daemon begins with an empty database before the fills. A forecast considers no stretch shorter than ten minutes or
the ten newest samples, whichever is shorter (SHORTEST_D and DENSE of stable_segment.py). With a longer history, a fill
of four minutes in a store that is sampled every 15 s is reported late. tests/forecast/test_forecast.py tests stores
sampled every 5 s.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest

from tests.host.machine import Machine
from tests.host.station import Event, Station, instant

pytestmark = pytest.mark.host(place=2)

SHARE, SETTLES_S = 0.15, 5.0

STALLED_S = 10.0
"""A write that has not returned for so long found no space: LVM lets writers wait for 60 s by default."""

REPORTS = "/run/fills"


@dataclass(frozen=True)
class Fill:
    """A store, how it is filled (inside/fill.py), and the interval of its probe (station.toml)."""

    subject: str
    quantity: str
    how: str
    target: str
    per_second: float
    every_s: float

    @property
    def report(self) -> str:
        """The writer's report of its progress."""
        return f"{REPORTS}/{self.how}.json"


FILLS = {
    "zfs": Fill("pool skerry", "space", "file", "/skerry/nest-cams/footage", 2.5e6, 5),
    "thin data": Fill("thin pool jetty/footage", "data", "device", "/dev/jetty/nest-cams", 2**20, 15),
    "thin metadata": Fill("thin pool jetty/books", "metadata", "touch", "/dev/jetty/page-*", 1.5, 15),
    "btrfs metadata": Fill("btrfs /srv/hides", "metadata", "files", "/srv/hides/logs", 30, 5),
}


@pytest.fixture(scope="module")
def filling(station: Station, request: pytest.FixtureRequest) -> float:
    """Start the writers of all selected fills, as units of their own; returns when that was."""
    station.start_empty()
    wanted = {item.callspec.params.get("name") for item in request.session.items if hasattr(item, "callspec")}
    machine = station.machine
    machine.run(f"rm -rf {REPORTS}; mkdir -p {REPORTS}")
    began = machine.now()
    for fill in (each for name, each in FILLS.items() if name in wanted):
        words = f"{fill.how} '{fill.target}' {fill.per_second} {fill.report}"
        machine.run(f"systemd-run -q --unit=fill-{fill.how} python3 /usr/local/lib/station/fill.py {words}")
    return began


@pytest.mark.parametrize("name", list(FILLS))
def test_a_fill_is_reported_in_time_with_the_right_time_left(station: Station, filling: float, name: str) -> None:
    """The warning comes before the writer finds no space, and the time left in it is right."""
    fill = FILLS[name]
    full_at = _until_full(station, fill)
    messages = [
        each
        for each in station.events(fill.subject, "full", fill.quantity)
        if each["kind"] in {"raised", "worse"} and instant(each["at"]) >= filling and each["likely_at"]
    ]
    assert messages, f"nothing was reported of {fill.subject} before it was full"
    assert messages[0]["kind"] == "raised"
    for each in messages:
        if instant(each["likely_at"]) > instant(each["at"]):
            _check(station, name, fill, each, full_at)
    assert instant(messages[0]["at"]) < full_at


def _check(station: Station, name: str, fill: Fill, message: Event, full_at: float) -> None:
    at = instant(message["at"])
    said_s, true_s = instant(message["likely_at"]) - at, full_at - at
    earliest_s, latest_s = (
        instant(message[when]) - at if message[when] else None for when in ("earliest_at", "latest_at")
    )
    station.note(
        f"fill, {name}: {message['telling']} ({message['priority']}): reported {said_s:.0f} s left"
        f" ({earliest_s} to {latest_s}), actually {true_s:.0f} s"
    )
    assert abs(said_s - true_s) <= SHARE * true_s + 2 * fill.every_s + SETTLES_S


def _until_full(station: Station, fill: Fill) -> float:
    """When the first write began that found no space."""
    said: dict[str, Any] = {}
    station.wait_until(f"the end of {fill.target}", _looker(station.machine, fill, said), 600)
    return float(said["trying_at"])


def _looker(machine: Machine, fill: Fill, said: dict[str, Any]) -> Callable[[], bool]:
    def ended() -> bool:
        text, _, now = machine.run(f"cat {fill.report} 2>/dev/null; echo; date +%s.%N").strip().rpartition("\n")
        if not text.strip():
            return False
        said.update(json.loads(text))
        return bool(said["failed_at"]) or float(now) - said["trying_at"] > STALLED_S

    return ended
