"""Guests under libvirt: a private daemon with real guests under emulation, and output that is not what virsh prints."""

import shutil
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.probes.guests.libvirtd import Daemon, private_daemon
from tests.probes.hands import conditions
from tests.support.needs import need
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Level, Observed, Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests import libvirt
from watchkeeper.probes.guests.guests import GuestsProbe
from watchkeeper.probes.guests.settings import GuestsSettings
from watchkeeper.probes.guests.states import STATES

MIB = 1024 * 1024
URI = "qemu:///system"


@pytest.fixture(scope="module")
def daemon() -> Iterator[Daemon]:
    """A daemon with no guests."""
    with private_daemon("hide-hub", "tide-log", "nest-cams") as found:
        yield found


def probe_of(context: ProbeContext, uri: str, **settings: Any) -> GuestsProbe:
    """A probe of libvirt alone."""
    return GuestsProbe(GuestsSettings.model_validate({"libvirt": uri, "timeout": "60s", **settings}), context)


def states(seen: Sequence[Observed]) -> dict[str, str]:
    """Guest -> why it is not OK."""
    found = [one for one in seen if isinstance(one, Condition) and one.key.quantity == "state"]
    return {one.key.subject.removeprefix("guest "): one.reason for one in found}


@pytest.mark.timeout(300)
async def test_guests_of_a_real_daemon(bench: ProbeContext, daemon: Daemon) -> None:
    """A guest that runs, is paused, is switched off, is removed; one that only exists is not reported."""
    context = replace(bench, probe_states=MemoryStateStore())
    daemon.define("hide-hub")
    daemon.define("tide-log")
    daemon.virsh("start", "hide-hub")
    probe = probe_of(context, daemon.uri)
    seen = await probe.observe()
    assert states(seen) == {"hide-hub": ""}
    # libvirt tells a reader nothing about errors and images, so nothing says that they are OK.
    assert set(conditions([one for one in seen if not isinstance(one, Unseen)])) == {
        "guest hide-hub: state",
        "guests: memory allocation",
    }
    levels = {str(one.key): one for one in seen if isinstance(one, Level)}
    assert levels["guests: memory"].used == 64 * MIB
    assert levels["guests: vCPUs"].used == 1
    assert levels["guest hide-hub: written"].capacity == 1024 * MIB
    (image,) = [one for key, one in levels.items() if ": image " in key]
    assert image.used == (daemon.folder / "hide-hub.qcow2").stat().st_blocks * 512
    assert image.part_of is not None
    daemon.virsh("suspend", "hide-hub")
    assert states(await probe.observe()) == {"hide-hub": "it is paused"}
    daemon.virsh("destroy", "hide-hub")
    assert states(await probe.observe()) == {"hide-hub": "it is off: it was forced off"}
    daemon.virsh("undefine", "hide-hub")
    assert states(await probe.observe()) == {"hide-hub": "it is missing: libvirt does not know it any more"}


@pytest.mark.timeout(300)
async def test_a_guest_that_starts_with_the_host(bench: ProbeContext, daemon: Daemon) -> None:
    """A guest that is off is a fault where it starts with the host, or is expected, and not where it is left out."""
    daemon.define("nest-cams")
    context = replace(bench, probe_states=MemoryStateStore())
    assert states(await probe_of(context, daemon.uri).observe()) == {}
    because = "it is off: libvirt does not know why"
    assert states(await probe_of(context, daemon.uri, expected=["nest-cams"]).observe()) == {"nest-cams": because}
    daemon.virsh("autostart", "nest-cams")
    context = replace(bench, probe_states=MemoryStateStore())
    seen = await probe_of(context, daemon.uri).observe()
    assert states(seen) == {"nest-cams": f"{because}; it starts with the host"}
    assert states(await probe_of(context, daemon.uri, exclude=["nest-*"]).observe()) == {}


async def test_a_libvirt_that_may_not_be_asked_is_one_line(
    bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What virsh prints where the socket is another user's: one line, no fault and no state of a guest."""
    tool = tmp_path / "virsh"
    tool.write_text(
        "#!/bin/sh\necho 'error: failed to connect to the hypervisor' >&2\n"
        "echo \"error: Failed to connect socket to '/run/x': Permission denied\" >&2\nexit 1\n"
    )
    tool.chmod(0o755)
    monkeypatch.setattr("watchkeeper.probes.support.tools.PATH", str(tmp_path))
    (line,) = await probe_of(bench, URI, expected=["hide-hub"]).observe()
    assert isinstance(line, Unseen)
    assert line.what == "guests of libvirt at qemu:///system"
    assert line.why == "virsh has no permission: error: Failed to connect socket to '/run/x': Permission denied"
    tool.write_text("#!/bin/sh\necho 'error: authentication unavailable: no polkit agent' >&2\nexit 1\n")
    (line,) = await probe_of(bench, URI).observe()
    assert isinstance(line, Unseen)
    tool.unlink()
    (line,) = await probe_of(bench, URI).observe()
    assert isinstance(line, Unseen)
    assert "in Debian: libvirt-clients" in line.why


async def test_a_daemon_that_does_not_run_is_a_fault_of_the_probe(bench: ProbeContext, tmp_path: Path) -> None:
    """Without the daemon, with virsh: the probe fails with the cause. Beside sockets it is one line."""
    need(shutil.which("virsh"), "virsh is needed")
    uri = f"qemu+unix:///session?socket={tmp_path}/none"
    with pytest.raises(ProbeError, match="Failed to connect socket"):
        await probe_of(bench, uri).observe()
    seen = await probe_of(bench, uri, sockets=[f"{tmp_path}/*.qmp"], expected=["hide-hub"]).observe()
    assert [type(one) for one in seen if not isinstance(one, Level)] == [Unseen]


def test_one_source_is_needed() -> None:
    """A probe without any source is refused, with what to add; and so is what is no address."""
    with pytest.raises(ValidationError, match="neither sockets nor libvirt"):
        GuestsSettings.model_validate({})
    with pytest.raises(ValidationError):
        GuestsSettings.model_validate({"libvirt": "-c oops"})


@pytest.mark.parametrize(
    ("state", "reason", "word"),
    [
        (1, 1, "running"),
        (3, 5, "io-error"),
        (3, 6, "watchdog"),
        (3, 99, "paused"),
        (4, 0, "shutdown"),
        (7, 0, "suspended"),
    ],
)
def test_states_have_the_words_of_the_monitor(state: int, reason: int, word: str) -> None:
    """What libvirt says is named as QEMU would, so that the same condition is the same message."""
    asked = libvirt.understand("x", "tide-log", {"state.state": str(state), "state.reason": str(reason)}, starts=False)
    assert asked.guest is not None
    assert asked.guest.state == word
    assert word in STATES


def test_ends_that_nobody_asked_for_are_grave() -> None:
    """A guest that crashed is off and grave; one that was shut down is off."""
    for reason, grave in ((1, False), (3, True)):
        facts = {"state.state": "5", "state.reason": str(reason)}
        asked = libvirt.understand("x", "tide-log", facts, starts=False)
        assert asked.guest is None
        assert asked.grave is grave
    assert libvirt.understand("x", "tide-log", {}, starts=False).trouble == "libvirt does not report its state"


def test_memory_and_block_errors() -> None:
    """The balloon's statistics are in KiB; more usable than there is makes no sense; the disks with errors by name."""
    facts = {"state.state": "1", "balloon.available": "65536", "balloon.usable": "1024", "balloon.last-update": "5"}
    for usable, expected in (("1024", (64 * MIB, MIB, 5)), ("65537", None)):
        guest = libvirt.understand("x", "a", {**facts, "balloon.usable": usable}, starts=False).guest
        assert guest is not None
        inside = guest.inside
        assert (inside and (inside.total_bytes, inside.available_bytes, inside.updated_s)) == expected
    assert libvirt.block_errors("vda: no space\nvdb: unspecified error\nNo errors found\n") == {
        "vda": "nospace",
        "vdb": "failed",
    }


@given(st.text(alphabet=st.sampled_from("Domain: 'x'\n  state.=0123456789block-ué\x1b")) | st.text())
def test_output_of_any_form_is_bounded(text: str) -> None:
    """Any text gives guests with bounded lists, or an error that names libvirt."""
    for name, facts in libvirt.domains(f"Domain: 'a'\n{text}"):
        asked = libvirt.understand("x", name, {**facts, "state.state": "1", "block.count": "9" * 18}, starts=False)
        assert asked.guest is not None
        assert len(asked.guest.disks) <= libvirt.DISKS_LIMIT


def test_images_below_a_disk() -> None:
    """They follow it, with its name, and are no disks; what is in them is not known."""
    paths = ("/srv/hide-hub.qcow2", "/srv/base.qcow2", "/dev/skerry/logs")
    facts = {"state.state": "1", "block.count": "4"}
    for number, (name, path) in enumerate(zip(("vda", "vda", "vdb"), paths, strict=True)):
        block = f"block.{number}"
        facts |= {f"{block}.name": name, f"{block}.path": path, f"{block}.physical": "7", f"{block}.capacity": "9"}
    guest = libvirt.understand("x", "hide-hub", facts, starts=False).guest
    assert guest is not None
    assert [(each.file, each.allocated_bytes, each.image.layers) for each in guest.disks] == [
        ("/srv/hide-hub.qcow2", 7, ("/srv/base.qcow2",)),
        ("/dev/skerry/logs", 0, ()),
    ]
    assert not any(each.image.known for each in guest.disks)


def test_too_many_guests_are_refused() -> None:
    """More guests than a home server runs."""
    with pytest.raises(ProbeError, match="more than 256 guests"):
        list(libvirt.domains("".join(f"Domain: '{number}'\n" for number in range(257))))
