"""`probe` runs every probe and prints what it sees; nothing is stored."""

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tests.cli.conftest import Run
from tests.probes.power.upsd import ups_server
from tests.support.readstore import NOW
from tests.support.receivers import Service
from tests.support.waiting import until
from watchkeeper.alerting.rules import Rules
from watchkeeper.cli.commands.probe import run_probe
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey

KEY = SeriesKey("pool skerry", "space")


@pytest.fixture
def service() -> Iterator[Service]:
    """A service that answers."""
    found = Service()
    yield found
    found.close()


@pytest.fixture
def one_probe(config: Path, service: Service) -> Path:
    """A configuration that watches that service alone."""
    probe = f'[[probe]]\nkind = "http"\nname = "hide-hub"\nurl = "{service.url}"\ntimeout = "5s"\n'
    config.write_text(f"watch_host = false\n{config.read_text()}{probe}")
    return config


def test_all_sound_is_exit_code_0(run: Run, one_probe: Path) -> None:
    """Each thing has its line, under the probe that saw it."""
    result = run("probe")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == "OK"
    assert lines[1].startswith("  hide-hub  service hide-hub: answered in ")
    assert lines[2:] == [
        "            probe hide-hub: running",
        "",
        "Not judged yet",
        "  hide-hub  service hide-hub: speed still learning: 0 of 72 hours with answers",
    ]
    assert not one_probe.with_name("watchkeeper.db").exists()


def test_a_power_failure_is_exit_code_1(run: Run, config: Path, tmp_path: Path) -> None:
    """The same command, before and after the mains fails at a real server of a UPS."""
    with ups_server(tmp_path / "ups") as server:
        probe = f'[[probe]]\nkind = "ups"\nname = "shed"\nport = {server.port}\n'
        config.write_text(f"watch_host = false\n{config.read_text()}{probe}")
        assert run("probe").exit_code == 0
        server.script("OB DISCHRG", 80, 700)
        result = until("the power failure", lambda: found if (found := run("probe")).exit_code else None)
    assert result.exit_code == 1
    title, fault, *_ = result.stdout.splitlines()
    assert title == "Needs you"
    assert fault.split(maxsplit=1) == ["shed", "UPS shed: no mains power; by its own estimate it lasts 11m"]


def test_what_is_not_sound_stands_first_and_is_exit_code_1(run: Run, one_probe: Path, service: Service) -> None:
    """A service that has stopped is told by one look, though the daemon would wait for a minute."""
    assert one_probe.exists()
    service.close()
    result = run("probe")
    assert result.exit_code == 1
    assert result.stdout.splitlines()[:2] == ["Needs you", "  hide-hub  service hide-hub: connection refused"]
    found = json.loads(run("probe", "--json").stdout)
    assert found["ok"] is False
    assert found["observations"][0] | {"response_time_s": None, "phases": []} == {
        "probe": "hide-hub",
        "subject": "service hide-hub",
        "quantity": found["observations"][0]["quantity"],
        "kind": "answer",
        "needs_you": True,
        "text": "connection refused",
        "answered": False,
        "reason": "connection refused",
        "response_time_s": None,
        "phases": [],
        "details": found["observations"][0]["details"],
    }


def test_what_could_not_be_looked_at(run: Run, one_probe: Path, service: Service) -> None:
    """Only what no probe could see; a service that does not answer was looked at."""
    assert one_probe.exists()
    service.close()
    result = run("probe", "--unseen")
    assert (result.exit_code, result.stdout) == (0, "Every probe could look at everything that it is for.\n")
    one_probe.write_text(one_probe.read_text() + '[[probe]]\nkind = "raid"\n')
    result = run("probe", "--unseen")
    assert result.exit_code == 1
    assert result.stdout == (
        "  raid      everything: there is no software RAID; assemble the array, or remove\n            this probe\n"
    )
    (found,) = json.loads(run("probe", "--unseen", "--json").stdout)
    assert (found["probe"], found["what"]) == ("raid", "")


def test_this_host_is_looked_at_without_any_configuration(run: Run) -> None:
    """The host's own probes run by themselves and bring something."""
    found = json.loads(run("probe", "--json").stdout)
    assert {
        "filesystems",
        "memory",
        "pressure",
        "kernel-tables",
        "restarts",
        "kernel-log",
        "self-check",
        "coverage",
        "changes",
        "backups",
    } == {each["probe"] for each in found["observations"]}
    assert (found["host"], found["at"]) == ("gannet", "2026-11-25T07:24:11.000Z")


def test_warnings_of_the_configuration_are_told(run: Run, one_probe: Path, tmp_path: Path) -> None:
    """A secret that everybody can read is told here too."""
    token = tmp_path / "token"
    token.write_text("x")
    token.chmod(0o644)
    one_probe.write_text(one_probe.read_text() + f'headers = {{ Authorization = {{ file = "{token}" }} }}\n')
    assert f"every user of this host can read {token}" in run("probe").stderr


@pytest.mark.parametrize(
    ("seen", "needs_you", "words"),
    [
        (Level(KEY, 1, 2), False, "1 B of 2 B used (50 %), 1 B left"),
        (Level(KEY, 2, 2), True, "2 B of 2 B used (100 %), 0 B left"),
        (Level(KEY, 2, 2, not_judged=True), False, "2 B of 2 B used (100 %), 0 B left"),
        (Level(KEY, 1, 2, part_of=SeriesKey("pool skerry", "space")), False, "1 B of 2 B used (50 %), 1 B left"),
        (Answer(KEY, answered=False, reason="status 502, expected 200"), True, "status 502, expected 200"),
        (Condition(KEY, ok=False, reason="degraded"), True, "degraded"),
        (Condition(KEY, ok=False), True, "faulty since 07:24"),
        (Condition(KEY, ok=True), False, "OK"),
        (Deadline(KEY, NOW + timedelta(hours=5), NOW, 86_400), False, "due in 5 h"),
        (Deadline(KEY, NOW - timedelta(hours=5), NOW, 86_400), True, "overdue by 5 h"),
        (Deadline(KEY, None, None, 86_400), True, "none found, due now"),
    ],
)
def test_one_observation_is_judged_by_itself(seen: Observation, needs_you: bool, words: str) -> None:  # noqa: FBT001
    """What one look can know is told; a silence need not last before it counts."""
    found = run_probe("x", seen, Rules(), NOW, ZoneInfo("UTC"))
    assert (found.needs_you, found.words) == (needs_you, words)
