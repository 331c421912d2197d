"""The machine is restarted: the daemon is back by itself, says that it was away, and tells what has not come back.

It comes last: stores that were filled and disks that were broken before it are part of what the machine starts with.
"""

import time

import pytest

from tests.host.station import Station, instant

pytestmark = pytest.mark.host(place=2)

AWAY_S = 900
"""The machine is off for no longer than it takes to start it, but its clock is set ahead by this."""

STARTING_S, SETTLED_S, EVERY_S = 90.0, 30.0, 40.0
"""As in station.toml: what may still be starting, what is expected back, and how often that is looked at."""

LATE_S = 120.0
"""After the time to start things, until it is told."""

BY_HAND = {"guest hide-hub", "unit guest-hide-hub.service", "unit feeders.service"}
"""What the test started, and nothing starts again."""

AGAIN = {"unit watchkeeper.service", "unit tide-log.service", "unit hook.service", "unit ssh.service"}


def test_after_a_restart_it_tells_what_has_not_come_back(station: Station) -> None:
    """A guest and a service that nothing starts again are named, once there was time to; what came back is not."""
    machine = station.machine
    station.start_guest("hide-hub")
    machine.run("systemctl is-active -q feeders || systemd-run -q --unit=feeders sleep infinity")
    station.until("a seen guest", lambda: ("guest hide-hub", "state") in station.findings(), 120)
    settled_at = machine.now() + SETTLED_S + 2 * EVERY_S
    station.until("settling", lambda: machine.now() > settled_at, 240, every_s=10)
    ahead_s = machine.now() - time.time()
    machine.down()
    machine.up("--keep", "--later", f"{ahead_s + AWAY_S:.0f}")
    started_at = machine.now() - float(machine.run("cut -d' ' -f1 /proc/uptime"))
    station.until("the page", station.serves, 300)
    journal = [line["text"] for line in station.get("/api/v1/journal?limit=100")["items"]]
    assert any(text.startswith("the watch goes on after") for text in journal), journal
    told = station.told("host", "unsound", "raised", started_at, STARTING_S + 2 * LATE_S)
    after_s = instant(told["at"]) - started_at
    station.note(
        f"restart: told {after_s:.0f} s after the kernel's start ({STARTING_S:.0f} to start): {told['body']!r}"
    )
    assert STARTING_S <= after_s <= STARTING_S + LATE_S
    absent = _absent(station)
    assert absent >= BY_HAND
    # A guest and what fills stores in other scenarios are started by hand, too, as transient units.
    others = {name for name in absent - BY_HAND if "guest nest-cams" not in name and "guest-nest-cams" not in name}
    assert not {name for name in others if not name.startswith("unit fill-")}
    assert not absent & AGAIN
    assert "hide-hub" in told["body"]
    for name in AGAIN:
        assert name.removeprefix("unit ") not in told["body"]
        assert machine.works(f"systemctl is-active -q {name.removeprefix('unit ')}")


def _absent(station: Station) -> set[str]:
    facts = station.latest("host")["host", "all back after its restart"]["facts"]
    return {fact["value"] for fact in facts if fact["name"] == "not back"}
