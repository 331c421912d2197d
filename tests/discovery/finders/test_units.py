"""Units and timers, from what systemd 252 printed as JSON on a Debian 12 machine."""

import json
from datetime import timedelta

import pytest

from tests.discovery.conftest import NOW, document, usable, value_of
from tests.probes.toolbox import Toolbox
from watchkeeper.discovery.finders import units
from watchkeeper.discovery.finders.units import files_of, unit_of
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Thing
from watchkeeper.probes.systemd.listed_timers import Timer, own

SERVICES = (
    "cron.service", "dbus.service", "getty@tty1.service", "postfix@-.service", "ssh.service", "tide-log.service",
    "systemd-journald.service", "user@0.service", "not-enabled.service",
)  # fmt: skip
FILES = ("cron.service", "getty@.service", "postfix.service", "ssh.service", "tide-log.service", "dbus.socket")
RUNNING = json.dumps(
    [{"unit": name, "load": "loaded", "active": "active", "sub": "running", "description": "x"} for name in SERVICES]
)
ENABLED = json.dumps([{"unit_file": name, "state": "enabled", "preset": "enabled"} for name in FILES])
REAL_TIMERS = (
    '[{"next":1795651200000000,"left":1795651200000000,"last":0,"passed":0,"unit":"logrotate.timer",'
    '"activates":"logrotate.service"},{"next":1795681669180676,"left":1795681669180676,"last":1795595269103452,'
    '"passed":1795595269103452,"unit":"systemd-tmpfiles-clean.timer","activates":"systemd-tmpfiles-clean.service"}]'
)
"""As systemd 252 printed it, in microseconds."""


def timer(unit: str, last: timedelta | None, following: timedelta | None) -> dict[str, object]:
    """One row in that form."""
    at = [None if each is None else int((NOW + each).timestamp() * 1e6) for each in (last, following)]
    return {"next": at[1], "left": at[1], "last": at[0], "passed": at[0], "unit": unit, "activates": "x.service"}


def say(toolbox: Toolbox, timers: str = REAL_TIMERS) -> None:
    """Put a systemctl there that says all this."""
    toolbox.answers("systemctl", [("list-units", RUNNING), ("list-unit-files", ENABLED), ("list-timers", timers)])


async def test_only_the_operators_own_units(host: Host, toolbox: Toolbox) -> None:
    """The distribution's base is left out, and so is what runs but was not enabled; all of it is only offered."""
    say(toolbox)
    found = await units.find(host)
    proposal, services = found.proposals
    assert (services.kind, services.offered) == ("services", False)
    assert value_of(proposal, "active") == ("postfix@-.service", "ssh.service", "tide-log.service")
    assert [key.offered for key in proposal.keys] == [True]
    assert Thing("unit", "dbus.service") in found.there
    text = document(proposal)
    assert '\n#active = ["postfix@-.service"' in text
    usable(text)


async def test_timers_say_when_they_last_ran(host: Host, toolbox: Toolbox) -> None:
    """The job of each may report; the limit is its period with an hour or a tenth to spare."""
    rows = [
        timer("nightly-backup.timer", timedelta(hours=-4), timedelta(hours=20)),
        timer("tide@jetty.timer", None, timedelta(hours=1)),
        timer("odd name.timer", None, None),
    ]
    say(toolbox, json.dumps(rows))
    found = await units.find(host)
    assert [each.kind for each in found.proposals] == ["units", "services", "timers", "job"]
    assert value_of(found.proposals[0], "active") == (
        "postfix@-.service", "ssh.service", "tide-log.service", "nightly-backup.timer", "tide@jetty.timer",
    )  # fmt: skip
    assert found.proposals[0].about[1:] == (
        "- nightly-backup.timer: last ran 4 h ago, the next run comes 1 day after the last",
        "- tide@jetty.timer: has not run yet",
    )
    assert (value_of(found.proposals[3], "name"), value_of(found.proposals[3], "within")) == ("nightly-backup", "1d3h")
    usable(document(*found.proposals))


async def test_a_timer_whose_name_can_be_no_job(host: Host, toolbox: Toolbox) -> None:
    """The job gets a name that an address may hold."""
    say(toolbox, json.dumps([timer("tide@x:y.timer", timedelta(hours=-1), timedelta(hours=1))]))
    proposals = (await units.find(host)).proposals
    assert value_of(proposals[3], "name") == "tide-x-y"
    usable(document(*proposals))


async def test_a_host_with_nothing_of_its_own(host: Host, toolbox: Toolbox) -> None:
    """Failing units are watched all the same."""
    toolbox.says("systemctl", "[]")
    proposals = (await units.find(host)).proposals
    assert [(each.kind, each.keys) for each in proposals] == [("units", ()), ("services", ())]
    usable(document(*proposals))


@pytest.mark.parametrize(("text", "status"), [("nonsense", 0), ("", 1)])
async def test_a_systemd_that_does_not_tell(host: Host, toolbox: Toolbox, text: str, status: int) -> None:
    """It is reported as not examined, and no unit counts as gone."""
    toolbox.says("systemctl", text, status=status, stderr="System has not been booted with systemd")
    found = await units.find(host)
    assert [each.what for each in found.unseen] == ["units of systemd"]
    assert not found.looked


async def test_timers_that_are_no_list(host: Host, toolbox: Toolbox) -> None:
    """What is not the form that is known is not guessed at."""
    say(toolbox, '{"unit": 1}')
    assert (await units.find(host)).unseen


def test_a_time_beyond_the_calendar() -> None:
    """A timer that was never run may say so with the largest number there is."""
    assert Timer(unit="a.timer", last=2**64 - 1).last_at is None
    assert Timer(unit="a.timer", last=10, next=5).period_s is None


def test_names() -> None:
    """Which file enables a unit, which unit a process belongs to, and which units are the operator's own."""
    assert files_of("tide-log@jetty.service") == {"tide-log@jetty.service", "tide-log@.service", "tide-log.service"}
    assert files_of("ssh.service") == {"ssh.service"}
    assert unit_of("0::/system.slice/system-tide.slice/tide@a.service\n") == "tide@a.service"
    assert unit_of("0::/user.slice/session-2.scope\n") == ""
    assert not own("systemd-udevd.service")
    assert not own("watchkeeper.service")
