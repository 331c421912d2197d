"""What is there right now: real listeners, guests whose monitors speak, and services by a stand-in for systemctl."""

import json
import socket
from pathlib import Path

import pytest

from tests.probes.machines import short_folder
from tests.probes.monitors import monitor, replies
from tests.support.needs import need
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host import presence
from watchkeeper.probes.host.presence import Sources, listening_ports
from watchkeeper.probes.support import tools

HEADER = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode\n"


def line(address: str, state: str = "0A") -> str:
    """A line of /proc/net/tcp as the kernel prints it."""
    return (
        f"   0: {address} 00000000:0000 {state} 00000000:00000000 00:00000000 00000000     0        0 20017 1 0 100\n"
    )


def test_listeners_of_both_families(tmp_path: Path) -> None:
    """Listeners below the ephemeral ports count once; connections, ephemeral ones and broken lines do not."""
    (tmp_path / "tcp").write_text(
        HEADER + line("0100007F:1FBB") + line("00000000:0016") + line("0100007F:0050", "01") + line("0100007F:9C40")
        + "   1: rubbish\n" + line("0100007F:zzzz") + line("0100007F:0000")
    )  # fmt: skip
    (tmp_path / "tcp6").write_text(HEADER + line("00000000000000000000000000000000:0016"))
    assert listening_ports(tmp_path) == ["22", "8123"]
    assert listening_ports(tmp_path / "nowhere") == []


def test_a_real_listener(monkeypatch: pytest.MonkeyPatch) -> None:
    """A socket that listens on this machine is found, and gone when it is closed."""
    monkeypatch.setattr(presence, "EPHEMERAL_FROM", 65_536)
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port = str(listener.getsockname()[1])
        assert port not in listening_ports(Path("/proc/net"))
        listener.listen()
        assert port in listening_ports(Path("/proc/net"))
    assert port not in listening_ports(Path("/proc/net"))


async def test_all_sorts(bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guests that run, services with a process and ports; a guest that stands still is not there."""
    folder = tmp_path / "bin"
    folder.mkdir()
    rows = json.dumps([{"unit": "tide-log.service"}, {"unit": "ssh.service"}])
    (folder / "systemctl").write_text(f"#!/bin/sh\necho \"$*\" > {folder}/asked\ncat <<'E'\n{rows}\nE\n")
    (folder / "systemctl").chmod(0o755)
    monkeypatch.setattr(tools, "PATH", str(folder) + ":" + tools.PATH)
    async with (
        short_folder() as sockets,
        monitor(sockets / "a.qmp", replies("hide-hub")),
        monitor(sockets / "b.qmp", replies("nest-cams", "io-error")),
        monitor(sockets / "c.qmp", replies("")),
        monitor(sockets / "d.qmp", {}),
    ):
        seen = await Sources(bench, 2).look([f"{sockets}/*.qmp"], units=True, ports=True)
    named = {thing for thing in seen.things if not thing.startswith("port ")}
    assert named == {"guest hide-hub", "guest c", "unit tide-log.service", "unit ssh.service"}
    assert seen.looked == {"guest", "unit", "port"}
    assert seen.troubles == ()
    assert seen.tells("unit gone.service")
    assert (folder / "asked").read_text() == (
        "list-units --type=service --state=running --full --no-pager --output=json\n"
    )
    assert seen.up_s > 0
    assert len(seen.boot) == 36


async def test_what_cannot_be_looked_at(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """A missing tool is a trouble of its own sort; the others are looked at all the same."""
    monkeypatch.setattr(tools, "PATH", "/nowhere")
    seen = await Sources(bench, 2).look([], units=True, ports=True)
    assert seen.looked == {"port"}
    ((what, why),) = seen.troubles
    assert what == "units"
    assert why.startswith("systemctl is not installed")
    assert not seen.tells("unit tide-log.service")
    assert not seen.tells("guest hide-hub")


async def test_a_fault_of_our_own_is_not_hidden(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only trouble with the outside is told as such; a mistake in the code comes out."""

    def fail(_: Path) -> list[str]:
        raise KeyError("mistake")

    monkeypatch.setattr(presence, "listening_ports", fail)
    with pytest.raises(KeyError):
        await Sources(bench, 2).look([], units=False, ports=True)


def test_this_machine_has_the_files() -> None:
    """The files that are read are there on this machine."""
    need(Path("/proc/net/tcp").exists(), "no /proc/net/tcp here")
    assert Path("/proc/sys/kernel/random/boot_id").exists()
