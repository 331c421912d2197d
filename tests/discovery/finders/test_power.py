"""Uninterruptible power supplies, found at a real server."""

from dataclasses import replace
from pathlib import Path

import pytest

from tests.discovery.conftest import document, usable
from tests.probes.power.upsd import ups_server
from watchkeeper.discovery.diff import covers
from watchkeeper.discovery.finders import power
from watchkeeper.discovery.host import Host, Listener
from watchkeeper.probes.power.ups import UpsSettings


async def test_a_ups_of_this_host(host: Host, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the server on this host lists is proposed by its name, and covered by a probe that names it."""
    with ups_server(tmp_path / "ups") as server:
        monkeypatch.setattr(power, "PORT", server.port)
        hearing = replace(host, ears=lambda: [Listener(server.port, "127.0.0.1")])
        found = await power.find_ups(hearing)
        assert (await power.find_ups(replace(hearing, ask_web=False))).proposals == ()
    (proposal,) = found.proposals
    assert proposal.table() == {"kind": "ups", "name": "shed", "ups": "shed", "must_last": "10m"}
    assert proposal.about == ("UPS shed: in the shed.",)
    usable(document(proposal))
    (thing,) = proposal.things
    assert covers(UpsSettings(name="garden shed", ups="shed"), thing)
    assert not covers(UpsSettings(name="hut", ups="hut"), thing)


async def test_no_server(host: Host) -> None:
    """Nothing listens on the protocol's port, or it cannot be asked."""
    assert (await power.find_ups(host)).absent == ("uninterruptible power supplies (no server on port 3493)",)
    (unseen,) = (await power.find_ups(replace(host, ears=lambda: [Listener(3493, "127.0.0.1")]))).unseen
    assert unseen.what == "uninterruptible power supplies"
