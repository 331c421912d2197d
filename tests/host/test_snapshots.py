"""A snapshot of each kind is taken, becomes overdue, and is taken again: each change is reported in time.

The first ones are taken at the beginning of the run: they become overdue while other scenarios run.
"""

import pytest

from tests.host.station import Station, instant

pytestmark = pytest.mark.host

MAX_AGE_S = 90.0
"""max_age in station.toml."""

EXACT_S = 5.0
"""A snapshot's own time is in whole seconds; the time here is when the command has returned."""

LATE_S = 60.0
"""How long after the limit a message may come: rules are applied every few seconds, later in an emulated machine."""

TAKE = {
    "snapshots of skerry/ringing-db (of datasets)": "zfs snapshot skerry/ringing-db@nightly-{}",
    "snapshots of jetty/ringing-db (of volumes)": "lvcreate -qq -y -s -n nightly-{} jetty/ringing-db 2>/dev/null",
    "snapshots of /srv/hides (of subvolumes)": (
        "btrfs -q subvolume snapshot -r /srv/hides/logs /srv/hides/.snapshots/nightly-{}"
    ),
    "snapshots of exported": "cp /srv/mirror/tide-log.qcow2 /srv/mirror/exports/{}.qcow2",
}
"""By the subject under which each kind is monitored."""


@pytest.fixture(scope="session")
def taken_at(station: Station) -> dict[str, float]:
    """When the first snapshot of each kind was taken."""
    return _take(station, "first")


def _take(station: Station, word: str) -> dict[str, float]:
    at = {}
    name = f"{word}-{station.machine.now():.0f}"
    for subject, command in TAKE.items():
        station.machine.run(command.format(name))
        at[subject] = station.machine.now()
    return at


@pytest.mark.host(place=-1)
@pytest.mark.parametrize("subject", TAKE)
def test_a_snapshot_is_seen(station: Station, taken_at: dict[str, float], subject: str) -> None:
    """It is due again its maximum age after its own time."""
    due_at = taken_at[subject] + MAX_AGE_S
    station.wait_until(f"the due time of {subject}", lambda: abs(_due_at(station, subject) - due_at) <= EXACT_S, 120)


@pytest.mark.parametrize("subject", TAKE)
def test_a_snapshot_becomes_overdue_in_time(station: Station, taken_at: dict[str, float], subject: str) -> None:
    """It is reported as overdue when its limit has passed, and not before."""
    due_at = taken_at[subject] + MAX_AGE_S
    message = station.message(subject, "overdue", "raised", due_at - EXACT_S, MAX_AGE_S + 4 * LATE_S)
    late_s = instant(message["at"]) - due_at
    station.note(f"{subject}: overdue reported {late_s:.1f} s after its limit of {MAX_AGE_S:.0f} s")
    assert late_s <= LATE_S


def _due_at(station: Station, subject: str) -> float:
    found = station.findings().get((subject, "newest"))
    return instant(found["expected_at"]) if found and found["expected_at"] else 0.0


@pytest.fixture(scope="module")
def again_at(station: Station, taken_at: dict[str, float]) -> dict[str, float]:
    """When the next snapshot of each kind was taken, after all first ones were overdue."""
    due_at = max(taken_at.values()) + MAX_AGE_S
    station.wait_until("the limit of all", lambda: station.machine.now() > due_at, 3 * MAX_AGE_S)
    return _take(station, "second")


@pytest.mark.parametrize("subject", TAKE)
def test_the_next_snapshot_ends_it(station: Station, again_at: dict[str, float], subject: str) -> None:
    """The end of each is reported once the next snapshot exists."""
    message = station.message(subject, "overdue", "ended", again_at[subject] - EXACT_S, 180)
    late_s = instant(message["at"]) - again_at[subject]
    station.note(f"{subject}: end reported {late_s:.1f} s after the next one")
    assert late_s <= 2 * LATE_S
