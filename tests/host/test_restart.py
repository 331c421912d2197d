"""The host restarts: what ran before and has not come back is reported once, and nothing else is.

This comes after all scenarios that need guests and stores as laid out, and before the stores are filled.
"""

import pytest

from tests.host.station import Station, instant

pytestmark = pytest.mark.host(place=1)

SETTLED_S, STARTING_S, EVERY_S = 30.0, 90.0, 40.0
"""min_uptime, boot_grace and every of the probe `after-reboot` in station.toml."""

SUBJECT, QUANTITY = "host", "all back after its restart"

UNIT = "tide-log.service"
"""It is disabled, so that it does not start with the host."""


def test_what_does_not_come_back_after_a_restart_is_reported_once(station: Station) -> None:
    """Guest and services are named, reported after the time to start them, and the alert ends when they are back."""
    machine = station.machine
    station.start_guest("hide-hub")
    machine.run(f"systemctl disable -q {UNIT}")
    gone = {f"unit {UNIT}"} | started_by_hand(station)
    seen_at = machine.now()
    # Two samples, the time to settle between them, and what an emulated machine takes for each.
    station.wait_until("the time to settle", lambda: machine.now() > seen_at + SETTLED_S + 3 * EVERY_S, 300)
    sent_before = len(station.events())
    machine.down()
    machine.up("--keep")
    station.wait_until("the page", station.page_answers, 300)
    booted_at = float(
        machine.run("echo $(date +%s.%N) $(cut -d' ' -f1 /proc/uptime) | awk '{printf \"%.3f\", $1 - $2}'")
    )
    message = station.message(SUBJECT, "faulty", "raised", booted_at, STARTING_S + 300)
    after_s = instant(message["at"]) - booted_at
    station.note(f"restart: reported {after_s:.0f} s after the start, limit {STARTING_S:.0f} s: {message['headline']}")
    assert STARTING_S <= after_s <= STARTING_S + 2 * EVERY_S + 30
    (stands,) = (
        found for (subject, quantity), found in station.findings().items() if (subject, quantity) == (SUBJECT, QUANTITY)
    )
    assert stands["priority"] == "warning"
    assert missing(station) == gone
    guests = sorted(each for each in gone if each.startswith("guest "))
    late = {
        each: instant(station.message(each, "faulty", "raised", booted_at, 120)["at"]) - booted_at for each in guests
    }
    assert all(after_s >= STARTING_S for after_s in late.values()), late
    # Snapshots become overdue meanwhile; only what a restart ends counts here.
    since = [
        each
        for each in station.events()[sent_before:]
        if each["kind"] in {"raised", "worse"} and each["subject"].partition(" ")[0] in {"host", "guest", "unit"}
    ]
    # What has a probe of its own is reported by that probe too. Nothing is reported while the host goes down, and
    # guests only after the time to start them. The unit is reported at once: systemd has no job to start it.
    assert {each["subject"] for each in since} == {each for each in gone if "guest-" not in each} | {SUBJECT}
    back_at = machine.now()
    for guest in guests:
        station.start_guest(guest.removeprefix("guest "))
    machine.run(f"systemctl enable -q --now {UNIT}")
    ended = station.message(SUBJECT, "faulty", "ended", back_at, 240)
    station.note(f"restart: end reported {instant(ended['at']) - back_at:.0f} s after all was back")


def started_by_hand(station: Station) -> set[str]:
    """The running guests, with their transient units: none of them comes back after a restart."""
    lines = station.machine.run("systemctl list-units --plain --no-legend --state=running 'guest-*'").splitlines()
    units = {line.split()[0] for line in lines}
    guests = {unit.removeprefix("guest-").removesuffix(".service") for unit in units}
    assert "hide-hub" in guests
    return {f"unit {unit}" for unit in units} | {f"guest {guest}" for guest in guests}


def missing(station: Station) -> set[str]:
    """What has not come back, by the newest observation."""
    facts = station.latest(SUBJECT)[SUBJECT, QUANTITY]["details"]
    return {fact["value"] for fact in facts if fact["name"] == "not back"}
