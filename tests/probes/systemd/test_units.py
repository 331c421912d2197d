"""Units of systemd, through a program in systemctl's place that prints what systemd 252 prints."""

import json
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from tests.probes.hands import conditions
from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.model.observation import Condition
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support import systemctl, tools
from watchkeeper.probes.systemd import units
from watchkeeper.probes.systemd.units import UnitsProbe, UnitsSettings, why_failed

SUB = {"failed": "failed", "active": "running", "inactive": "dead", "activating": "auto-restart"}


class Manager:
    """A `systemctl` in a folder of the test's own, and what it prints. Written again for each change."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.units: dict[str, dict[str, str]] = {}
        self.listed: str | None = None
        script = folder / "systemctl"
        script.write_text(
            "#!/bin/sh\n"
            f'printf "%s\\n" "$*" >> {folder}/asked\n'
            f'case "$1" in list-units) cat {folder}/list; exit "$(cat {folder}/status)";; esac\n'
            'while [ "$1" != -- ]; do shift; done; shift; first=1\n'
            "for unit; do [ $first = 1 ] || echo; first=0\n"
            f'  cat "{folder}/show/$unit" 2>/dev/null ||'
            ' printf "Id=%s\\nLoadState=not-found\\nActiveState=inactive\\n" "$unit"\n'
            "done\n"
        )
        script.chmod(0o755)
        (folder / "show").mkdir()
        self.write()

    def set(self, unit: str, active: str, **properties: str) -> None:
        """A unit is in a state now."""
        found = {"Id": unit, "LoadState": "loaded", "ActiveState": active, "SubState": SUB[active], "Result": "success",
                 "Transient": "no", "NRestarts": "0", "ExecMainStatus": "0", **properties}  # fmt: skip
        self.units[unit] = found
        self.write()

    def write(self, status: int = 0) -> None:
        """Put down what it shall say. The keys of the list are those of systemd 252."""
        bad = [u for u, p in self.units.items() if p["ActiveState"] == "failed" or p["SubState"] == "auto-restart"]
        rows = [{"unit": u, "load": "loaded", "active": "failed", "sub": "failed", "description": u} for u in bad]
        (self.folder / "list").write_text(json.dumps(rows) if self.listed is None else self.listed)
        (self.folder / "status").write_text(str(status))
        for unit, properties in self.units.items():
            (self.folder / "show" / unit).write_text("".join(f"{k}={v}\n" for k, v in properties.items()))

    @property
    def asked(self) -> list[str]:
        return (self.folder / "asked").read_text().splitlines()


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Manager:
    """The stand-in, found before anything else."""
    folder = tmp_path / "bin"
    folder.mkdir()
    monkeypatch.setattr(tools, "PATH", f"{folder}:{tools.PATH}")
    return Manager(folder)


async def look(bench: ProbeContext, **settings: Any) -> dict[str, Condition]:
    """One look, by a probe that has only its notes from the ones before."""
    probe = UnitsProbe(UnitsSettings.model_validate(settings), bench)
    seen = conditions(await probe.observe())
    await probe.close()
    return seen


async def test_a_unit_that_fails_and_recovers(bench: ProbeContext, manager: Manager) -> None:
    """A failed unit is a series of its own, and stays one when it has recovered, across a restart of the daemon."""
    assert list(await look(bench)) == ["transient units: state"]
    manager.set("tide-log.service", "failed", Result="exit-code", ExecMainStatus="3")
    seen = (await look(bench))["unit tide-log.service: state"]
    assert seen.reason == "failed: its process ended with status 3"
    assert not seen.grave
    assert ("active state", "failed") in seen.facts
    manager.set("tide-log.service", "active")
    assert (await look(bench))["unit tide-log.service: state"].ok
    del manager.units["tide-log.service"]
    (manager.folder / "show/tide-log.service").unlink()
    manager.write()
    assert (await look(bench))["unit tide-log.service: state"].ok
    assert list(await look(bench, exclude=["tide-*"])) == ["transient units: state"]


async def test_how_it_is_asked(bench: ProbeContext, manager: Manager) -> None:
    """In the forms that are made for programs, and units' names behind a `--`."""
    manager.set("-.mount", "failed", Result="exit-code")
    await look(bench)
    assert manager.asked == [
        "list-units --all --state=failed,auto-restart --full --no-pager --output=json",
        f"show --no-pager --property={','.join(systemctl.PROPERTIES)} -- -.mount",
    ]


async def test_a_unit_that_keeps_being_started(bench: ProbeContext, manager: Manager) -> None:
    """A service that ends and is started again and again is not `failed`, and is told all the same."""
    manager.set("nest-cams.service", "activating", Result="signal", NRestarts="17")
    seen = (await look(bench))["unit nest-cams.service: state"]
    assert seen.reason == "keeps restarting, 17 times so far: its process was killed by a signal"
    manager.set("nest-cams.service", "activating", Result="success")
    assert (await look(bench))["unit nest-cams.service: state"].ok


async def test_units_that_must_be_active(bench: ProbeContext, manager: Manager) -> None:
    """Active is sound; inactive, failed, masked and not installed are grave, each with its reason."""
    manager.set("a.service", "active")
    manager.set("b.service", "inactive")
    manager.set("c.service", "failed", Result="oom-kill")
    manager.set("d.service", "inactive", LoadState="masked")
    seen = await look(bench, active=[f"{name}.service" for name in "abcde"])
    assert {name: (one.reason, one.grave) for name, one in seen.items()} == {
        "unit a.service: state": ("", False),
        "unit b.service: state": ("not active: inactive (dead)", True),
        "unit c.service: state": ("failed: the kernel killed it because memory was short", True),
        "unit d.service: state": ("systemd cannot use it: masked", True),
        "unit e.service: state": ("not installed", True),
        "transient units: state": ("", False),
    }


async def test_a_unit_that_waits_for_its_turn(bench: ProbeContext, manager: Manager) -> None:
    """While the host starts, a unit that has a job is on its way; one without, or that failed and waits, is not."""
    manager.set("a.service", "inactive", Job="312")
    manager.set("b.service", "inactive")
    manager.set("c.service", "failed", Result="exit-code", ExecMainStatus="1", Job="313")
    seen = await look(bench, active=[f"{name}.service" for name in "abc"])
    assert {name: one.ok for name, one in seen.items()} == {
        "unit a.service: state": True,
        "unit b.service: state": False,
        "unit c.service: state": False,
        "transient units: state": True,
    }


async def test_only_what_is_named(bench: ProbeContext, manager: Manager) -> None:
    """Without the watch on all others, nothing is listed."""
    manager.set("x.service", "failed")
    manager.set("a.service", "active")
    assert list(await look(bench, active=["a.service"], failed=False)) == ["unit a.service: state"]
    assert len(manager.asked) == 1


async def test_transient_units(bench: ProbeContext, manager: Manager) -> None:
    """Units whose names never come again share one series, so that it ends when they are gone."""
    for number in range(30):
        manager.set(
            f"run-r{number}{'x' * 10}.service", "failed", Transient="yes", Result="exit-code", ExecMainStatus="1"
        )
    seen = await look(bench)
    assert list(seen) == ["transient units: state"]
    assert seen["transient units: state"].reason.startswith("30 failed: run-r0")
    assert len(seen["transient units: state"].reason) <= 200
    assert len(seen["transient units: state"].facts) == 10
    manager.units.clear()
    manager.write()
    assert (await look(bench))["transient units: state"].ok


async def test_no_more_are_remembered_than_can_be_told(
    bench: ProbeContext, manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of very many units that failed once, those that failed longest ago are dropped."""
    monkeypatch.setattr(units, "REMEMBERED_LIMIT", 2)
    for name in "abc":
        manager.set(f"{name}.service", "failed")
        await look(bench)
        manager.set(f"{name}.service", "active")
    assert sorted(await look(bench)) == ["transient units: state", "unit b.service: state", "unit c.service: state"]


async def test_odd_names(bench: ProbeContext, manager: Manager) -> None:
    """Escaped names are asked for as they are; what is no unit's name never reaches a command line."""
    odd = "srv-hide\\x20hub.mount"
    manager.set(odd, "failed")
    manager.listed = json.dumps([{"unit": odd}, {"unit": "--help"}, {"unit": "a b.service"}, {"unit": "x\n.service"}])
    manager.write()
    assert list(await look(bench)) == [f"unit {odd}: state", "transient units: state"]


@pytest.mark.parametrize("listed", ["UNIT LOAD ACTIVE SUB\n0 loaded units listed.\n", "[{]", '[{"name": 1}]', "", "{}"])
async def test_output_that_is_no_list(bench: ProbeContext, manager: Manager, listed: str) -> None:
    """An older systemd that knows no JSON, and rubbish, are told as that."""
    manager.listed = listed
    manager.write()
    with pytest.raises(ProbeError, match="did not print a list as JSON"):
        await look(bench)


async def test_without_systemd(bench: ProbeContext, manager: Manager, monkeypatch: pytest.MonkeyPatch) -> None:
    """A manager that does not answer is told in its own words; one that is not installed, as that."""
    (manager.folder / "systemctl").write_text(
        "#!/bin/sh\necho 'Failed to connect to bus: No such file or directory' >&2\nexit 1\n"
    )
    with pytest.raises(ProbeError, match="Failed to connect to bus"):
        await look(bench)
    monkeypatch.setattr(tools, "PATH", "/nowhere")
    with pytest.raises(ToolMissing, match="systemctl is not installed"):
        await look(bench)


async def test_blocks_that_do_not_match(bench: ProbeContext, manager: Manager) -> None:
    """Where the count of answers is not that of the questions, none is taken for another's."""
    manager.set("a.service", "active", Id="a.service\n\nId=b.service")
    with pytest.raises(ProbeError, match="reported 2 units, 1 were requested"):
        await systemctl.show(bench, ["a.service"], 5)


async def test_the_sample_of_a_healthy_host(bench: ProbeContext, manager: Manager) -> None:
    """What systemd 252 printed on a host without a failed unit (`systemctl --output=json list-units --failed`)."""
    manager.listed = "[]\n"
    manager.write()
    assert (await look(bench))["transient units: state"].ok


async def test_what_systemd_252_prints(bench: ProbeContext, manager: Manager) -> None:
    """Word for word what systemd 252 printed on Debian 12, for a list and for the properties of four units."""
    manager.listed = (
        '[{"unit":"cron.service","load":"loaded","active":"active","sub":"running","description":"Regular background '
        'program processing daemon"},{"unit":"getty@tty1.service","load":"loaded","active":"active","sub":"running",'
        '"description":"Getty on tty1"}]\n'
    )
    manager.write()
    assert await systemctl.list_units(bench, (), 5) == ["cron.service", "getty@tty1.service"]
    for unit, text in {
        "ssh.service": "Result=success\nNRestarts=0\nExecMainStatus=0\nId=ssh.service\nLoadState=loaded\n"
        "ActiveState=active\nSubState=running\nTransient=no\n",
        "nope.service": "Result=success\nNRestarts=0\nExecMainStatus=0\nId=nope.service\nLoadState=not-found\n"
        "ActiveState=inactive\nSubState=dead\nTransient=no\n",
        "-.mount": "Result=success\nId=-.mount\nLoadState=loaded\nActiveState=active\nSubState=mounted\nTransient=no\n",
        "ssh.socket": "Result=success\nId=ssh.socket\nLoadState=loaded\nActiveState=inactive\nSubState=dead\n"
        "Transient=no\n",
    }.items():
        (manager.folder / "show" / unit).write_text(text)
    seen = await look(bench, active=["ssh.service", "nope.service", "-.mount", "ssh.socket"], failed=False)
    assert {key.split(" ")[1].rstrip(":"): condition.reason for key, condition in seen.items()} == {
        "ssh.service": "",
        "nope.service": "not installed",
        "-.mount": "",
        "ssh.socket": "not active: inactive (dead)",
    }


def test_results_that_are_not_known() -> None:
    """A result of a later systemd is told as its own word."""
    assert why_failed({"ActiveState": "failed", "Result": "new-thing"}) == "failed: new-thing"
    assert why_failed({"ActiveState": "failed"}) == "failed: unknown"


@pytest.mark.parametrize("name", ["tide-log", "a b.service", "--all", "", "x.exe"])
def test_settings_that_make_no_sense(name: str) -> None:
    """What is no unit's whole name is refused."""
    with pytest.raises(ValidationError):
        UnitsSettings(active=(name,))
