"""The host's name and the time zone of its times."""

import shutil
import socket
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import TZPATH, ZoneInfo

import pytest

from watchkeeper.config.tables.host import HostSettings, system_zone

LISBON = next((Path(folder) / "Europe/Lisbon" for folder in TZPATH if (Path(folder) / "Europe/Lisbon").exists()), None)


def test_a_zone_that_is_set_is_used() -> None:
    """The configuration takes precedence over the host."""
    assert HostSettings(time_zone="Europe/Lisbon").zone == ZoneInfo("Europe/Lisbon")


@pytest.mark.parametrize(("value", "zone"), [("Europe/Lisbon", "Europe/Lisbon"), (":Europe/Lisbon", "Europe/Lisbon")])
def test_tz_names_the_hosts_zone(value: str, zone: str) -> None:
    """TZ with or without the colon of POSIX."""
    assert system_zone({"TZ": value}) == ZoneInfo(zone)


def test_without_tz_the_link_of_localtime_names_the_zone(tmp_path: Path) -> None:
    """localtime(5): a link to the zone's file."""
    folder = tmp_path / "zoneinfo" / "Europe"
    folder.mkdir(parents=True)
    (folder / "Lisbon").touch()
    link = tmp_path / "localtime"
    link.symlink_to(folder / "Lisbon")
    assert system_zone({"TZ": ""}, link) == ZoneInfo("Europe/Lisbon")


@pytest.mark.skipif(LISBON is None, reason="this machine has no zone files")
def test_a_copy_of_a_zones_file_is_a_zone_too(tmp_path: Path) -> None:
    """Some images copy the file: the zone has no name then, and its rules all the same."""
    assert LISBON is not None
    shutil.copy(LISBON, tmp_path / "localtime")
    zone = system_zone({"TZ": "No/Where"}, tmp_path / "localtime")
    summer = datetime(2026, 7, 1, tzinfo=UTC)
    assert summer.astimezone(zone).utcoffset() == summer.astimezone(ZoneInfo("Europe/Lisbon")).utcoffset()


def test_without_any_word_of_a_zone_it_is_utc(tmp_path: Path) -> None:
    """Glibc does the same."""
    assert system_zone({}, tmp_path / "none") == UTC
    (tmp_path / "broken").write_text("no zone")
    assert system_zone({}, tmp_path / "broken") == UTC


def test_the_host_is_called_what_is_set_or_its_own_short_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fully qualified name is cut at its first dot; no name at all still reads as a sentence."""
    assert HostSettings(name=" gannet ").label == "gannet"
    monkeypatch.setattr(socket, "gethostname", lambda: "gannet.example.org")
    assert HostSettings().label == "gannet"
    monkeypatch.setattr(socket, "gethostname", lambda: "")
    assert HostSettings().label == "this host"
