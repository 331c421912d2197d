"""`backups` shows which guest has one, in text and as JSON."""

import asyncio
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.support.readstore import NOW
from watchkeeper.cli import main
from watchkeeper.cli.commands.planning import backups as command
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.host_state import Disk, GuestNow, HostNow
from watchkeeper.store import Store

QUAY = SeriesKey("pool quay", "space")


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A host with a set of files for one guest, and a database."""

    async def write() -> None:
        async with await Store.open(tmp_path / "watchkeeper.db"):
            pass

    asyncio.run(write())
    path = tmp_path / "c.toml"
    path.write_text(
        f'watch_host = false\n[host]\nname = "gannet"\n[store]\npath = "{tmp_path / "watchkeeper.db"}"\n'
        f'[[probe]]\nkind = "snapshots"\nname = "hub"\nfiles = ["{tmp_path}/*.img"]\nmax_age = "36000d"\n'
        'backup_of = ["hide-hub"]\n'
    )
    (tmp_path / "hide-hub.img").write_bytes(b"copy")
    return path


def with_guests(monkeypatch: pytest.MonkeyPatch, *names: str, unseen: tuple[str, ...] = ()) -> None:
    """A host with these guests."""
    guests = tuple(
        GuestNow(name, disks=(Disk(f"/dev/quay/{name}", 1, QUAY, name),) if name == "hide-hub" else ())
        for name in names
    )

    async def look(*_: object) -> HostNow:
        return HostNow(NOW, 2**34, 2**33, 4, (), guests, unseen)

    monkeypatch.setattr(command, "look", look)


def test_as_text(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The guest without a backup comes first, with the places that were looked at."""
    with_guests(monkeypatch, "hide-hub", "tide-log", unseen=("LVM: no helper",))
    result = CliRunner().invoke(main, ["--config", str(config), "backups"])
    assert result.exit_code == 1, result.output
    text = " ".join(result.stdout.split())
    assert "Good backups: 1 of 2 guests. Not: tide-log (no backup)." in text
    assert "none found in: probes with backup_of (1)" in text
    assert text.index("tide-log no backup; its disks are not known") < text.index("hide-hub backup, ")
    assert "Not checked - LVM: no helper" in text


def test_as_json(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every copy has its time, its place and what is wrong with it; 0 if each guest has one."""
    with_guests(monkeypatch, "hide-hub")
    result = CliRunner().invoke(main, ["--config", str(config), "backups", "--json"])
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert (found["host"], found["good"], found["not_seen"]) == ("gannet", True, [])
    (guest,) = found["guests"]
    assert (guest["name"], guest["coverage"], guest["disks"]) == ("hide-hub", "backup", ["hide-hub"])
    (copy,) = guest["copies"]
    assert (copy["name"], copy["shares"], copy["fault"], copy["without_disks"]) == ("hub", None, None, [])
    assert copy["on"]


def test_without_guests(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A host without guests needs no backup; one whose guests could not be seen does not pass."""
    with_guests(monkeypatch)
    result = CliRunner().invoke(main, ["--config", str(config), "backups"])
    assert (result.exit_code, "There is no guest" in result.stdout) == (0, True)
    with_guests(monkeypatch, unseen=("guests: may not be read",))
    result = CliRunner().invoke(main, ["--config", str(config), "backups"])
    assert (result.exit_code, "No guest could be seen." in result.stdout) == (1, True)
