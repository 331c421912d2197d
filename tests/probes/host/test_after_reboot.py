"""After a restart of the host: what was there before and has not come back, told once it had its time."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.probes.hands import SetClock, the_condition
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host import after_reboot
from watchkeeper.probes.host.after_reboot import AfterRebootProbe, AfterRebootSettings, SeenInterval, expected_back
from watchkeeper.probes.host.presence import Presence, Sources

ALL = frozenset({"guest", "unit", "port"})
HUB, TIDE, SSH = "guest hide-hub", "unit tide-log.service", "port 22"


class Host(Sources):
    """A host that is started, stopped and looked at by hand: the clock runs with it."""

    def __init__(self, bench: ProbeContext) -> None:
        super().__init__(bench, 1)
        self.clock = SetClock()
        self.bench = replace(bench, clock=self.clock, probe_states=Counted())
        self.boot_number, self.up_s = 1, 5000.0
        self.things: set[str] = set()
        self.looked: frozenset[str] = ALL
        self.troubles: tuple[tuple[str, str], ...] = ()

    async def look(self, sockets: Sequence[str], *, units: bool, ports: bool) -> Presence:  # noqa: ARG002  its signature
        return Presence(f"boot-{self.boot_number}", self.up_s, frozenset(self.things), self.looked, self.troubles)

    def restart(self, *, with_what: Iterable[str] = (), away_s: float = 120) -> None:
        """Stop, stay away for a while, and start."""
        self.clock.advance(away_s)
        self.boot_number, self.up_s, self.things = self.boot_number + 1, 20.0, set(with_what)

    def probe(self, **settings: Any) -> AfterRebootProbe:
        """A probe as a fresh daemon has it: only its notes are from before."""
        return AfterRebootProbe(AfterRebootSettings.model_validate(settings), self.bench, self)

    async def run(self, hours: float, probe: AfterRebootProbe | None = None) -> Condition:
        """Look every five minutes for some hours; what the last look said."""
        probe = probe or self.probe()
        seen = the_condition(await probe.observe())
        for _ in range(round(hours * 12)):
            self.clock.advance(300)
            self.up_s += 300
            seen = the_condition(await probe.observe())
        await probe.close()
        return seen


class Counted(MemoryStateStore):
    """Notes that count how often they are written."""

    def __init__(self) -> None:
        super().__init__()
        self.writes = 0

    async def write(self, owner: str, text: str) -> None:
        self.writes += 1
        await super().write(owner, text)


@pytest.fixture
def host(bench: ProbeContext) -> Host:
    """A host with a guest, a unit and a port."""
    host = Host(bench)
    host.things = {HUB, TIDE, SSH}
    return host


async def test_nothing_is_known_yet(host: Host) -> None:
    """The first boot that is seen has none before it to compare with."""
    seen = await host.run(1)
    assert str(seen.key) == "host: all back after its restart"
    assert seen.ok
    assert seen.facts == (("known from before the last restart", "nothing"),)


async def test_what_has_not_come_back(host: Host) -> None:
    """Nothing is told while things may still be starting; then what is missing, until it comes back."""
    await host.run(2)
    host.restart(with_what=[SSH])
    probe = host.probe()
    early = the_condition(await probe.observe())
    assert early.ok
    assert early.facts == (("still starting", "checked in 14m40s"), ("expected back", "3"))
    late = await host.run(0.3, probe)
    assert not late.ok
    assert late.reason == "guest hide-hub, unit tide-log.service have not come back"
    assert ("not back", HUB) in late.facts
    host.things |= {HUB}
    assert (await host.run(0.1, probe)).reason == "unit tide-log.service has not come back"
    host.things |= {TIDE}
    assert (await host.run(0.1, probe)).ok


async def test_a_restart_of_the_daemon_alone(host: Host) -> None:
    """The boot id tells: a daemon that starts again on the same boot expects what it expected, and forgets nothing."""
    await host.run(2)
    host.restart(with_what=[SSH])
    await host.run(1)
    seen = await host.run(0, host.probe())
    assert seen.reason == "guest hide-hub, unit tide-log.service have not come back"


async def test_what_the_keeper_leaves_out(host: Host) -> None:
    """Globs name what need not come back."""
    await host.run(2)
    host.restart(with_what=[SSH])
    seen = await host.run(1, host.probe(exclude=["guest *", "unit tide-*"]))
    assert seen.ok


async def test_its_report_ends(host: Host) -> None:
    """After a week what is missing counts as wanted so."""
    await host.run(2)
    host.restart(with_what=[SSH])
    probe = host.probe(report_for="2h")
    assert not (await host.run(1.5, probe)).ok
    assert (await host.run(1, probe)).ok


async def test_a_second_restart(host: Host) -> None:
    """What did not come back the first time is not expected after the second: it was not there before it."""
    await host.run(2)
    host.restart(with_what=[SSH])
    await host.run(2)
    host.restart(with_what=[SSH])
    assert (await host.run(1)).ok


async def test_a_host_that_shuts_down_in_steps(host: Host) -> None:
    """A look in the middle of a shutdown, when the guest had stopped already, does not make it unexpected."""
    await host.run(2)
    host.things = {SSH}
    await host.run(0.1)
    host.restart(with_what=[SSH])
    assert (await host.run(1)).reason == "guest hide-hub, unit tide-log.service have not come back"


async def test_what_was_stopped_on_purpose(host: Host) -> None:
    """What was gone for hours before the restart is not expected, nor what had only just begun."""
    await host.run(2)
    host.things = {SSH}
    await host.run(3)
    host.things = {SSH, "unit new.service"}
    await host.run(0.2)
    host.restart(with_what=[SSH])
    assert (await host.run(1)).ok


async def test_sorts_that_cannot_be_looked_at(host: Host) -> None:
    """Without systemctl nothing is said about units, the reason is a fact, and the others are compared."""
    await host.run(2)
    host.restart()
    host.looked, host.troubles = frozenset({"guest", "port"}), (("units", "systemctl is not installed"),)
    seen = await host.run(1)
    assert seen.reason == "guest hide-hub, port 22 have not come back"
    assert ("could not be read: units", "systemctl is not installed") in seen.facts


async def test_nothing_can_be_looked_at(host: Host) -> None:
    """Where nothing at all can be seen, the probe says so instead of calling it sound."""
    host.looked, host.troubles = frozenset(), (("units", "systemctl is not installed"),)
    with pytest.raises(ProbeError, match="nothing could be read: systemctl is not installed"):
        await host.run(0)


async def test_it_is_written_seldom(host: Host) -> None:
    """A day in which nothing changes costs about two writes an hour, and a change costs one at once."""
    probe = host.probe()
    await host.run(24, probe)
    notes = host.bench.probe_states
    assert isinstance(notes, Counted)
    assert 24 <= notes.writes <= 50
    before = notes.writes
    host.things.add("unit new.service")
    await probe.observe()
    assert notes.writes == before + 1


async def test_very_many_things(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """The reason names a few, the facts some, and no more than a bound is kept."""
    monkeypatch.setattr(after_reboot, "THINGS_LIMIT", 70)
    host.things = {f"port {number}" for number in range(200)}
    await host.run(2)
    host.restart()
    seen = await host.run(1)
    assert seen.reason.endswith(" and 65 more have not come back")
    assert len(seen.facts) == 51


def test_a_clock_that_was_set_back() -> None:
    """A stay never ends before it began: what was seen tomorrow and is seen now counts from now."""
    now = datetime(2026, 3, 1, tzinfo=UTC)
    stay = SeenInterval(now, now)
    assert expected_back({HUB: stay}, 0, 0) == (HUB,)
    assert expected_back({}, 0, 0) == ()


async def test_the_clock_is_set_back_while_it_watches(host: Host) -> None:
    """The notes hold an instant from the future; the guest is still expected back."""
    await host.run(2)
    host.clock.advance(-5 * 3600)
    await host.run(1)
    host.restart()
    assert "guest hide-hub" in (await host.run(1)).reason


@given(
    st.dictionaries(st.text(max_size=3), st.tuples(st.integers(0, 10**6), st.integers(0, 10**6)), max_size=8),
    st.integers(0, 10**6),
)
def test_shifting_all_instants_changes_nothing(stays: dict[str, tuple[int, int]], shift_s: int) -> None:
    """What is expected depends on times apart, and not on when it was."""
    start = datetime(2026, 1, 1, tzinfo=UTC)

    def at(offset_s: int) -> dict[str, SeenInterval]:
        return {
            thing: SeenInterval(
                start + timedelta(seconds=offset_s + min(pair)), start + timedelta(seconds=offset_s + max(pair))
            )
            for thing, pair in stays.items()
        }

    assert expected_back(at(0), 1800, 3600) == expected_back(at(shift_s), 1800, 3600)


def test_settings_that_look_at_nothing() -> None:
    """A probe that would look at nothing is refused."""
    with pytest.raises(ValidationError, match="there is nothing to monitor"):
        AfterRebootSettings(units=False, ports=False)


async def test_on_this_machine(bench: ProbeContext) -> None:
    """With the real sources, the first look on this machine is sound."""
    probe = AfterRebootProbe(AfterRebootSettings(units=False), bench)
    assert the_condition(await probe.observe()).ok
