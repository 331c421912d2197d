"""`watchkeeper probe`, run by a user without rights: it shows what it sees, and reports what it may not see."""

import json

import pytest

from tests.host.station import CONFIG, PROGRAM, Station

pytestmark = pytest.mark.host


def test_one_look_as_a_user_without_rights_says_what_it_may_not_see(station: Station) -> None:
    """A user who may not use the helper is shown exactly that for LVM and SMART; ZFS and RAID are seen."""
    said = station.machine.run(
        f"cd / && runuser -u keeper -- {PROGRAM} --config {CONFIG} probe --json || [ $? = 1 ]", timeout_s=300
    )
    observed = {(each["subject"], each["quantity"]): each for each in json.loads(said)["observations"]}
    for probe in ("probe lvm", "probe smart", "probe of volumes"):
        assert "may not use /run/watchkeeper-helper.sock" in observed[probe, "runs"]["text"]
    assert observed["pool skerry", "health"]["ok"]
    assert observed["array md0", "health"]["ok"]
    assert observed["btrfs /srv/hides", "metadata"]["capacity"] > 0
