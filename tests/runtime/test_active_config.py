"""What stays the same from one configuration to the next, and what is created again."""

import json
from pathlib import Path

import pytest

from watchkeeper import settings
from watchkeeper.clock import Clock
from watchkeeper.errors import ConfigError
from watchkeeper.probes.base import OwnDatabase, ProbeContext
from watchkeeper.probes.storage.disk_names import WithDiskNames
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.runtime.active_config import build, check_in_place
from watchkeeper.settings import Settings

MEMORY = '[[probe]]\nkind = "memory"\n'
HUB = '[[probe]]\nkind = "http"\nname = "hide-hub"\nurl = "http://127.0.0.1:8123/"\n'
HOOK = '[[notifier]]\nkind = "webhook"\nurl = "http://127.0.0.1:9/"\n'


def read(folder: Path, text: str, head: str = "") -> Settings:
    """The settings of a document."""
    path = folder / "config.toml"
    path.write_text(f'watch_host = false\n[store]\npath = "{folder}/watchkeeper.db"\n{head}{text}')
    return settings.read(path).settings


def test_what_is_unchanged_is_the_same_object(tmp_path: Path) -> None:
    """Rules and dependencies are not part of a probe; a change of any other setting makes it a different one."""
    bench = ProbeContext(Clock(), ThreadWorkers())
    first = build(read(tmp_path, MEMORY + HUB + HOOK), bench, Clock())
    ruled = HUB + 'depends_on = ["pool skerry"]\n[probe.rules.not_answering]\nwarning = "5m"\n'
    second = build(read(tmp_path, MEMORY + ruled + HOOK), bench, Clock(), first)
    assert [e.probe for e in second.probes] == [e.probe for e in first.probes]
    assert second.probes[1].rules != first.probes[1].rules
    assert second.depends_on["hide-hub"] == ("pool skerry",)
    assert second.notifiers == first.notifiers
    third = build(
        read(tmp_path, MEMORY + HUB.replace("8123", "8124") + HOOK.replace(":9", ":10")), bench, Clock(), second
    )
    assert third.probes[0].probe is second.probes[0].probe
    assert third.probes[1].probe is not second.probes[1].probe
    assert third.notifiers[0] is not second.notifiers[0]


def test_another_bound_replaces_the_probe_of_watchkeeper_itself(tmp_path: Path) -> None:
    """It is the only probe that sees the bound."""
    text = MEMORY + '[[probe]]\nkind = "self-check"\n'
    workers, own = ThreadWorkers(), OwnDatabase(tmp_path / "watchkeeper.db", 2**30, list)
    first = build(read(tmp_path, text), ProbeContext(Clock(), workers, database=own), Clock())
    second = build(read(tmp_path, text), ProbeContext(Clock(), workers, database=own), Clock(), first)
    assert second.probes[0].probe is first.probes[0].probe
    assert second.probes[1].probe is not first.probes[1].probe


def test_other_names_of_disks_reach_the_probes_that_need_them(tmp_path: Path) -> None:
    """They are created again, with the names; all others go on."""
    text = MEMORY + '[[probe]]\nkind = "raid"\n'
    bench = ProbeContext(Clock(), ThreadWorkers())
    first = build(read(tmp_path, text), bench, Clock())
    same = build(read(tmp_path, text), bench, Clock(), first)
    assert [each.probe for each in same.probes] == [each.probe for each in first.probes]
    named = build(read(tmp_path, '[names]\ndisks = { "S2R5NX0H" = "upper bay" }\n' + text), bench, Clock(), same)
    assert named.probes[0].probe is same.probes[0].probe
    assert named.probes[1].probe is not same.probes[1].probe
    assert isinstance(named.probes[1].probe, WithDiskNames)
    assert named.probes[1].probe.names == {"S2R5NX0H": "upper bay"}


@pytest.mark.parametrize("name", ["", "two\nlines", "x" * 61])
def test_a_name_of_a_disk_that_cannot_be_shown(tmp_path: Path, name: str) -> None:
    """It is refused with its key."""
    with pytest.raises(ConfigError, match='"S1" needs a name of 1 to 60 characters'):
        read(tmp_path, f"[names]\ndisks = {{ S1 = {json.dumps(name)} }}\n")


def test_another_configuration_compares_the_host_again(tmp_path: Path) -> None:
    """The probe that compares is created again if any probe changed, so that it runs at once."""
    text = MEMORY + '[[probe]]\nkind = "coverage"\n'
    bench = ProbeContext(Clock(), ThreadWorkers())
    first = build(read(tmp_path, text), bench, Clock())
    same = build(read(tmp_path, text), bench, Clock(), first)
    assert [each.probe for each in same.probes] == [each.probe for each in first.probes]
    other = build(read(tmp_path, text + '[[probe]]\nkind = "raid"\n'), bench, Clock(), same)
    assert other.probes[0].probe is same.probes[0].probe
    assert other.probes[1].probe is not same.probes[1].probe


def test_what_cannot_change_in_place_is_all_told_at_once(tmp_path: Path) -> None:
    """Host, page and the database's path; nothing is reported if they are unchanged."""
    before = read(tmp_path, "")
    check_in_place(before, before, None)
    url = tmp_path / "archive-url"
    url.write_text("postgresql://gannet@127.0.0.1/house")
    url.chmod(0o600)
    changed = '[page]\nport = 8081\n[host]\nname = "gannet"\ntime_zone = "Europe/Paris"\n'
    after = read(tmp_path, "", f'{changed}[archive]\nurl = {{ file = "{url}" }}\n')
    with pytest.raises(ConfigError) as refused:
        check_in_place(after, before, tmp_path / "config.toml")
    assert [each.place for each in refused.value.problems] == ["host.name", "host.time_zone", "page.port", "archive"]
    assert all("restart it, or restore the old value" in each.what for each in refused.value.problems)
