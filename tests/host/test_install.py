"""An operator installs, upgrades and removes the service by the manual alone.

One story in one machine, in the order of the tests: each continues from the previous one. The commands are read from
the blocks of the manual's chapter on installation, not written here. A new host gets the newest version, which is then
removed. Then it gets version 0.1.0, is upgraded with what that has recorded, goes through what can fail, and the
service is removed again.

It comes last, in a machine of its own: nothing of another scenario is in it, and it leaves nothing for one.
"""

import json
import re
import shlex
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any

import pytest

from tests.host.machine import Machine
from tests.host.operator_shell import FIRST, INSTALL_S, NOTES, Operator, commands, instructions, quick, section
from tests.host.station import CONFIG, EVENTS, PAGE, ROOT, Event, Station

host = pytest.mark.host(place=9)

VERSION = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
MANUAL = instructions()
SERVICE, CHANGE, UPGRADE, REMOVE, SECRETS = (
    "As a service", "After a change of the configuration", "Upgrade", "Remove", "Secrets",
)  # fmt: skip

HOME, CURRENT = "/opt/watchkeeper", "/opt/watchkeeper/.venv"
DATABASE = "/var/lib/watchkeeper/watchkeeper.db"
BACKUPS = "/var/backups/watchkeeper"
DROP_INS = "/etc/systemd/system/watchkeeper.service.d"
CONFIGURATION = """\
[host]
name = "gannet"
time_zone = "UTC"

[rules.not_answering]
warning = "10s"
alarm = "never"

[[probe]]
kind = "memory"
every = "5s"

[[notifier]]
kind = "webhook"
url = "http://127.0.0.1:9017/"
"""
"""What every version of the service accepts."""

HIDE_HUB = """
[[probe]]
kind = "http"
name = "hide-hub"
url = "http://127.0.0.1:8123/"
every = "5s"
"""

TIDE_LOG = """
[[probe]]
kind = "tcp"
name = "tide-log"
host = "127.0.0.1"
port = 22
every = "5s"
"""

FIRST_CONFIGURATION = """\
[host]
name = "gannet"
time_zone = "UTC"

[store]
gone = "30d"

[rules.silent]
warning = "10s"
alarm = "never"

[together]
flood = 20

[[probe]]
kind = "memory"
every = "5s"

[[probe]]
kind = "http"
name = "hide-hub"
url = "http://127.0.0.1:8123/"
every = "5s"

[[probe]]
kind = "checkin"
name = "nightly-copy"
within = "26h"
every = "5s"
rests_on = ["memory"]

[[notifier]]
kind = "webhook"
url = "http://127.0.0.1:9017/"

[[notifier]]
kind = "webhook"
name = "log-book"
url = "http://127.0.0.1:9018/"
"""
"""For version 0.1.0, with keys and a kind that have other names since."""

REPORT = "sudo watchkeeper checkin nightly-copy"
"""The report of a job, by version 0.1.0's own command."""

LOG_BOOK, CLOSED = "/var/lib/hook/log-book", "/run/log-book-closed"
"""What the second receiver was sent, and the file that keeps it from accepting anything."""


def test_the_manual_has_the_commands_that_are_typed_here() -> None:
    """Each section has the blocks that the tests type, with these programs in this order. Needs no machine."""
    heads = {
        heading: [[_program(line) for line in block] for block in commands(MANUAL, heading)]
        for heading in (SERVICE, CHANGE, UPGRADE, REMOVE, SECRETS)
    }
    assert heads == {
        SERVICE: [["sudo apt", "sudo deploy/install"], ["sudo watchkeeper"], ["sudo install"]],
        CHANGE: [["sudo watchkeeper"]],
        UPGRADE: [["git pull", "sudo deploy/install"]],
        REMOVE: [["sudo deploy/remove"]],
        SECRETS: [["sudo install", "sudo mkdir", "printf", "sudo tee", "sudo systemctl", "sudo systemctl"]],
    }


def _program(line: str) -> str:
    first, second, *_ = line.split()
    return f"{first} {second}" if first in ("sudo", "git") else first


# A new host ----------------------------------------------------------------------------------------------------------


@host
def test_install_on_a_new_host(operator: Operator) -> None:
    """The packages to install first are what it needs; after one command the service runs, unprivileged."""
    machine = operator.station.machine
    packages, install = commands(MANUAL, SERVICE)[0]
    # The machine has no source of packages, so this line is checked instead of typed.
    for name in packages.partition("#")[0].split()[3:]:
        assert "ok installed" in machine.run(f"dpkg-query -W -f '${{Status}}' {name}"), name
    said = operator.run_timed("install on a new host", [install])
    assert f"watchkeeper: version {VERSION} is running: " in said
    operator.assert_running()
    assert machine.run(f"cat {CONFIG}") == (ROOT / "deploy/first.toml").read_text()
    assert machine.run("cat /etc/watchkeeper/config.example.toml") == (ROOT / "config.example.toml").read_text()
    modes = machine.run("stat -c '%a %U' /etc/watchkeeper /etc/watchkeeper/secrets")
    assert modes.splitlines() == ["755 root", "700 root"]
    assert machine.works("systemctl is-active -q watchkeeper-helper.socket")
    for page in ("man1/watchkeeper.1", "man5/watchkeeper.toml.5", "man7/watchkeeper-alerts.7"):
        assert machine.works(f"test -s /usr/local/share/man/{page}"), page
    assert operator.run(["watchkeeper --version"]) == f"watchkeeper {VERSION}"
    # Root's command has created no file in the checkout.
    assert operator.run(["git status --porcelain", "find . ! -user keeper"]) == ""


@host
def test_a_second_install_changes_nothing(operator: Operator) -> None:
    """The same command again builds no release, makes no copy, and changes no file."""
    _installs_again(operator)


@host
def test_discovery_proposes_what_the_service_accepts(operator: Operator) -> None:
    """The proposal can be used as it is; as the new configuration, a reload accepts it."""
    _, discover, put = commands(MANUAL, SERVICE)
    operator.run(discover)
    (proposal,) = (word for word in discover[0].split() if word.endswith(".toml"))
    assert "can be used." in operator.run([f"sudo watchkeeper --config {proposal} check-config"])
    operator.run(put)
    operator.run(_block(CHANGE))
    operator.station.wait_until("the proposal", lambda: "the configuration was reloaded" in _journal(operator), 120)
    operator.station.note(f"discovery: {len(_get(operator, '/api/v1/quantities'))} series after its proposal was taken")


BACKUP_READ = """
[[probe]]
kind = "snapshots"
name = "hide-hub"
files = ["{file}"]
max_age = "3650d"
every = "5s"
"""


@host
def test_a_backup_is_read_by_a_unit_of_its_own(operator: Operator) -> None:
    """The reader is started by systemd for a file that is due, and finds the file whole, and no unit has failed."""
    station, machine = operator.station, operator.station.machine
    # The reader leaves a file alone for a quarter of an hour after the last change of it.
    old = machine.run("find /usr /var -xdev -name '*.gz' -size +1k -cmin +16 | head -n 1").strip()
    machine.write(CONFIG, machine.run(f"cat {CONFIG}") + BACKUP_READ.format(file=old))
    operator.run(_block(CHANGE))

    def content() -> Any:
        return station.latest("snapshots of hide-hub").get(("snapshots of hide-hub", "content"))

    station.wait_until("the file to be read", content, 300)
    assert content()["ok"], content()
    assert int(machine.run("systemctl show -p NAccepted --value watchkeeper-reader.socket")) >= 1
    assert machine.run("systemctl list-units --failed --no-legend --plain 'watchkeeper*'").strip() == ""
    score = machine.run("systemd-analyze security --no-pager watchkeeper.service | tail -n 1")
    station.note(f"reader: {score.strip()}")


@host
def test_removing_everything_leaves_nothing(operator: Operator) -> None:
    """`deploy/remove --everything`: every file, folder, user and group that was not there before is gone."""
    _removes_everything(operator)


# From version 0.1.0 on -----------------------------------------------------------------------------------------------


@host
def test_the_first_version_records_and_notifies(operator: Operator) -> None:
    """Installed as its own README says. One alert is active: one receiver was notified, the other refuses for now."""
    machine = operator.station.machine
    receiver = f"python3 /usr/local/lib/station/hook.py 9018 {LOG_BOOK} {CLOSED}"
    machine.run(f"touch {CLOSED}; systemctl is-active -q log-book || systemd-run -q --unit=log-book {receiver}")
    operator.run([f"git reset --quiet --hard {FIRST}"])
    machine.run("mkdir -p /etc/watchkeeper")
    machine.write(CONFIG, FIRST_CONFIGURATION)
    operator.run_timed("install of the first version", quick(commands(instructions(FIRST), SERVICE)[0][1:]))
    operator.station.wait_until("the first version's page", operator.page_answers, 240)
    operator.run([REPORT])
    operator.station.wait_until("the first message", lambda: _sent(machine, EVENTS), 180)
    operator.station.wait_until("samples", lambda: len(_rows(machine, SAMPLES)) >= 40, 300)
    operator.station.wait_until("a refused delivery", lambda: _rows(machine, WAITING), 60)
    assert _sent(machine, LOG_BOOK) == []


SAMPLES = "SELECT s.key, m.at_ms, m.value FROM samples m JOIN series s ON s.id = m.series"
WAITING = "SELECT id, thread FROM outbox WHERE notifier LIKE '%log-book%' AND state = 'waiting' AND tries > 0"
KEPT = {
    "samples": f"{SAMPLES} WHERE m.at_ms < {{until_s}} * 1000 ORDER BY 1, 2",
    "alerts": "SELECT id, key, json_extract(body, '$.raised_at') FROM alerts WHERE {until_s} > 0 ORDER BY id",
    "events": "SELECT id, at_us, key FROM {events} WHERE at_us < {until_s} * 1000000 ORDER BY id",
    "messages": "SELECT id, notifier, thread FROM outbox WHERE made_at_us < {until_s} * 1000000 ORDER BY id",
    "job reports": "SELECT job, failed, at_us FROM {job_reports} WHERE {until_s} > 0",
}
"""What a database holds from before an instant. The two versions have these in the same columns."""
FIRST_TABLES = {"events": "journal", "job_reports": "check_ins"}
"""The names of tables up to version 3 of the database."""


@host
def test_an_upgrade_is_refused_until_renamed_keys_are_edited(operator: Operator) -> None:
    """The install prints an edit for each key that has another name. The first version runs on, and nothing changed."""
    machine = operator.station.machine
    before = (operator.unit_property("MainPID"), _placed(machine), _backups(machine), machine.run(f"cat {CONFIG}"))
    status, said = operator.attempt(quick(_block(UPGRADE)), timeout_s=INSTALL_S)
    assert status == 78, said
    assert f"version {VERSION} does not accept {_copy_to_edit(VERSION)} (see above)." in said
    # The copy to edit is all that is new; the next install takes it.
    placed = [each for each in _placed(machine) if f" {_copy_to_edit(VERSION)} " not in each]
    after = (operator.unit_property("MainPID"), placed, _backups(machine), machine.run(f"cat {CONFIG}"))
    assert after == before
    assert operator.page_answers()
    edits = edited(FIRST_CONFIGURATION, said)
    machine.write(f"{NOTES}/edited.toml", edits)
    machine.write(_copy_to_edit(VERSION), edits)
    # Whenever the machine is started again before the upgrade is completed, the first version runs.
    operator.run(["sudo systemctl restart watchkeeper"])
    operator.station.wait_until("the first version's page", operator.page_answers, 240)
    assert operator.run(["watchkeeper --version"]) == "watchkeeper 0.1.0"


@host
def test_a_failed_upgrade_goes_back_to_the_first_version(operator: Operator) -> None:
    """With its own configuration, which the operator had edited, and its database, which the other had converted."""
    machine = operator.station.machine
    until_s = int(machine.now())
    kept = _kept(machine, DATABASE, until_s)
    machine.write("/tmp/broken", BROKEN)
    operator.run(["cat /tmp/broken >>watchkeeper/daemon/daemon.py"])
    status, said = operator.attempt(quick(_block(UPGRADE)[1:]), timeout_s=INSTALL_S)
    operator.run(["git checkout --quiet ."])
    assert status == 69, said
    assert "rolled back to the previous version, which is now active" in said
    assert machine.run(f"cat {CONFIG}") == FIRST_CONFIGURATION
    assert machine.run(f"cat {CONFIG}.{VERSION}") == machine.run(f"cat {NOTES}/edited.toml")
    operator.station.wait_until("the first version's page", operator.page_answers, 240)
    assert operator.run(["watchkeeper --version"]) == "watchkeeper 0.1.0"
    assert _lost(kept, _kept(machine, DATABASE, until_s)) == []
    assert len(_sent(machine, EVENTS)) == 1
    machine.run(f"mv {CONFIG}.{VERSION} {CONFIG}; rm {BACKUPS}/*.db")


EDIT = re.compile(r"in line (\d+) write (\S+) instead of (\S+)")


def edited(text: str, said: str) -> str:
    """A configuration after the edits that a command has printed, and no others."""
    lines = text.splitlines()
    edits = EDIT.findall(" ".join(said.split()))
    assert edits, said
    for number, new, old in edits:
        line = lines[int(number) - 1]
        assert line.count(old) == 1, f"{old} is not once in line {number}: {line}"
        lines[int(number) - 1] = line.replace(old, new)
    return "".join(f"{line}\n" for line in lines)


@host
def test_upgrade_keeps_what_the_first_version_recorded(operator: Operator) -> None:
    """The newest version goes on with samples, alerts, events, messages and reports, after a copy that is whole."""
    machine = operator.station.machine
    until_s = int(machine.now())
    kept = _kept(machine, DATABASE, until_s)
    assert all(kept.values()), kept
    said = operator.run_timed("upgrade from the first version", quick(_block(UPGRADE)[1:]))
    assert f"watchkeeper: version {VERSION} is running: " in said
    operator.assert_running()
    assert _lost(kept, _kept(machine, DATABASE, until_s)) == []
    operator.station.note("upgrade: kept " + ", ".join(f"{len(rows)} {what}" for what, rows in kept.items()))

    (copy,) = _backups(machine)
    assert f"copied the database to {copy}" in said
    assert machine.run(f"stat -c '%a %U' {BACKUPS} {copy}").split() == ["700", "root", "600", "root"]
    assert machine.run(f"sqlite3 -readonly {copy} 'PRAGMA integrity_check'") == "ok\n"
    assert _lost(kept, _kept(machine, copy, until_s)) == []


@host
def test_a_message_that_waits_is_delivered_once_after_the_upgrade(operator: Operator) -> None:
    """The first version made it, the newest delivers it: the same message that the other receiver has."""
    station, machine = operator.station, operator.station.machine
    (first,) = _sent(machine, EVENTS)
    assert _sent(machine, LOG_BOOK) == []
    machine.run(f"rm {CLOSED}")
    station.wait_until("the waiting message", lambda: _sent(machine, LOG_BOOK), 120)
    assert [_lasting(each) for each in _sent(machine, LOG_BOOK)] == [_lasting(first)]


@host
def test_an_alert_continues_over_the_upgrade(operator: Operator) -> None:
    """What the first version reported is not reported again; its end goes to both receivers, in the same thread."""
    station, machine = operator.station, operator.station.machine
    (first,) = _sent(machine, EVENTS)
    answers = "python3 -m http.server 8123 --bind 127.0.0.1 --directory /usr/share/misc"
    machine.run(f"systemctl is-active -q hide-hub || systemd-run -q --unit=hide-hub {answers}")
    for receiver in (EVENTS, LOG_BOOK):
        station.wait_until(f"the end in {receiver}", partial(_has_two, machine, receiver), 180)
        sent = _sent(machine, receiver)
        assert [each["number"] for each in sent] == [1, 2]
        assert _lasting(sent[0]) == _lasting(first)
        assert sent[1]["thread"] == first["thread"]
        assert sent[1]["state"] != first["state"]
        assert sent[1]["priority"] is None
    machine.write(CONFIG, CONFIGURATION + HIDE_HUB)
    operator.run(_block(CHANGE))


def _copy_to_edit(version: str) -> str:
    """The copy of the configuration that the installer makes for its operator to edit."""
    return f"{CONFIG.removesuffix('.toml')}-{version}.toml"


def _lasting(event: Event) -> Event:
    """A message in today's field names, without the concern: its values have changed since version 0.1.0.

    What 0.1.0 tried in vain is delivered with an id of its own, because its field names have changed.
    """
    renamed = {"telling": "kind", "trial": "test"}
    today = {renamed.get(name, name): value for name, value in event.items() if name != "concern"}
    return today | {"id": str(today["id"]).removesuffix("-upgraded")}


def _has_two(machine: Machine, receiver: str) -> bool:
    return len(_sent(machine, receiver)) >= 2


def _sent(machine: Machine, receiver: str) -> list[Event]:
    """What a receiver was sent about hide-hub, by any version."""
    events = [json.loads(line)["data"] for line in machine.run(f"cat {receiver} || true").splitlines()]
    return [each for each in events if each["subject"] == "service hide-hub"]


@host
def test_a_second_upgrade_changes_nothing(operator: Operator) -> None:
    """The upgrade's commands again: no second copy, and the previous version stays, for a roll-back."""
    assert len(_releases(operator.station.machine)) == 2
    _installs_again(operator)


@host
def test_a_reload_accepts_a_change_and_refuses_a_broken_one(operator: Operator) -> None:
    """A new probe runs without a restart. One mistake changes nothing: it is reported, and monitoring continues."""
    station, machine = operator.station, operator.station.machine
    change = _block(CHANGE)
    pid = operator.unit_property("MainPID")
    machine.write(CONFIG, CONFIGURATION + HIDE_HUB + TIDE_LOG)
    operator.run(change)
    station.wait_until("the new probe", lambda: ("service tide-log", "answer") in station.series(), 120)

    machine.write(CONFIG, CONFIGURATION + HIDE_HUB + TIDE_LOG.replace("port = 22", 'port = "ssh"'))
    status, said = operator.attempt(change)
    assert (status, "probe[3].port" in said) == (78, True), said
    assert "was rejected" not in operator.unit_property("StatusText")  # the daemon was not asked to
    operator.run(["sudo systemctl reload watchkeeper"])
    station.wait_until("the refusal", lambda: "1 error and was rejected" in operator.unit_property("StatusText"), 120)
    samples = len(_rows(machine, SAMPLES))
    station.wait_until("more samples", lambda: len(_rows(machine, SAMPLES)) > samples, 60)
    assert "probe[3].port" in machine.run("journalctl -u watchkeeper -n 20 --no-pager -q")

    machine.write(CONFIG, CONFIGURATION + HIDE_HUB + TIDE_LOG)
    operator.run(change)
    station.wait_until("what is right", lambda: "was not taken" not in operator.unit_property("StatusText"), 120)
    assert operator.unit_property("MainPID") == pid


LATER = "99.0.0"
BROKEN = """

async def serve(known: Settings, **_others: object) -> None:
    \"\"\"Change the version of the database, and exit.\"\"\"
    import sqlite3

    sqlite3.connect(known.store.path).execute("PRAGMA user_version = 99")
    raise SystemExit(3)
"""


@pytest.fixture
def later(operator: Operator) -> Iterator[list[str]]:
    """The command that installs a broken version: it lacks the kind "http", and damages the database at its start."""
    machine = operator.station.machine
    machine.write("/tmp/broken", BROKEN)
    operator.run(
        [
            f"sed -i 's/^version = .*/version = \"{LATER}\"/' pyproject.toml",
            "sed -i '/\"http\": ProbeKind/d' watchkeeper/probes/registry.py",
            "cat /tmp/broken >>watchkeeper/daemon/daemon.py",
        ]
    )
    yield quick(_block(UPGRADE)[1:])
    operator.run(["git checkout --quiet ."])


@host
def test_a_version_that_cannot_use_the_configuration_changes_nothing(operator: Operator, later: list[str]) -> None:
    """The install refuses and names the lines; the service is not even restarted."""
    machine = operator.station.machine
    before = (operator.unit_property("MainPID"), _placed(machine), _backups(machine), machine.run(f"cat {CONFIG}"))
    status, said = operator.attempt(later, timeout_s=INSTALL_S)
    assert status == 78, said
    assert re.search(r"probe\[2\].*http", said), said
    assert f"version {LATER} does not accept {_copy_to_edit(LATER)} (see above)." in said
    machine.run(f"rm {_copy_to_edit(LATER)}")
    after = (operator.unit_property("MainPID"), _placed(machine), _backups(machine), machine.run(f"cat {CONFIG}"))
    assert after == before
    assert operator.page_answers()


@host
def test_a_version_that_does_not_start_is_rolled_back(operator: Operator, later: list[str]) -> None:
    """The previous version runs again, with its database, which the later version had changed before it exited."""
    machine = operator.station.machine
    until_s = int(machine.now())
    machine.write(CONFIG, CONFIGURATION)
    kept, placed, copies = _kept(machine, DATABASE, until_s), _placed(machine), _backups(machine)
    status, said = operator.attempt(later, timeout_s=INSTALL_S)
    assert status == 69, said
    assert (
        f"version {LATER} did not start (see above); rolled back to the previous version, which is now active" in said
    )
    operator.assert_running()
    assert _placed(machine) == placed
    assert len(_backups(machine)) == len(copies) + 1
    assert _lost(kept, _kept(machine, DATABASE, until_s)) == []
    assert machine.run(f"sqlite3 -readonly {DATABASE} 'PRAGMA user_version'") != "99\n"
    machine.write(CONFIG, CONFIGURATION + HIDE_HUB + TIDE_LOG)
    operator.run(_block(CHANGE))


VICTIM = "/etc/guillemots"
ASTRAY = f"""

async def serve(known: Settings, **_others: object) -> None:
    \"\"\"What a compromised daemon does: damage its database, leave links to root's file, and exit.\"\"\"
    import datetime
    import sqlite3

    path = known.store.path
    sqlite3.connect(path).execute("PRAGMA user_version = 99")
    now = datetime.datetime.now(datetime.UTC)
    instants = [now + datetime.timedelta(seconds=s) for s in range(1800)]
    replaced = [f".replaced-{{each:%Y%m%dT%H%M%SZ}}" for each in instants]
    for tail in (".lock", "-wal", "-shm", "-journal", *replaced):
        link = path.with_name(path.name + tail)
        link.unlink(missing_ok=True)
        link.symlink_to("{VICTIM}")
    raise SystemExit(3)
"""


@host
def test_a_roll_back_follows_no_link(operator: Operator, later: list[str]) -> None:
    """A compromised daemon leaves links for root: the roll-back names them, and root's file is unchanged.

    Once the links are removed, the copy from before the upgrade can be restored with `watchkeeper restore`.
    """
    machine = operator.station.machine
    until_s = int(machine.now())
    machine.write(CONFIG, CONFIGURATION)
    kept, copies = _kept(machine, DATABASE, until_s), _backups(machine)
    machine.run(f"umask 077; echo the north ledge >{VICTIM}")
    before = machine.run(f"stat -c '%a %u:%g %i' {VICTIM}; cat {VICTIM}")
    machine.write("/tmp/astray", ASTRAY)
    operator.run(
        ["git checkout --quiet watchkeeper/daemon/daemon.py", "cat /tmp/astray >>watchkeeper/daemon/daemon.py"]
    )
    status, said = operator.attempt(later, timeout_s=INSTALL_S)
    assert status == 69, said
    # The previous daemon has started again and may have removed some of the links.
    assert re.search(re.escape(DATABASE) + r"(-wal|-shm|-journal|\.lock) is a link", said), said
    assert machine.run(f"stat -c '%a %u:%g %i' {VICTIM}; cat {VICTIM}") == before
    (copy,) = set(_backups(machine)) - set(copies)

    machine.run(f"systemctl stop watchkeeper; find {DATABASE.rpartition('/')[0]}/ -type l -delete; rm {VICTIM}")
    operator.run([f"sudo watchkeeper restore {copy}", "sudo systemctl start watchkeeper"])
    operator.assert_running()
    assert _lost(kept, _kept(machine, DATABASE, until_s)) == []
    assert machine.run(f"stat -c %U {DATABASE}").strip() == "watchkeeper"
    machine.write(CONFIG, CONFIGURATION + HIDE_HUB + TIDE_LOG)
    operator.run(_block(CHANGE))


SECRET = "guillemots-on-the-north-ledge"

GUARDED = f"""
from http.server import BaseHTTPRequestHandler, HTTPServer

class Guarded(BaseHTTPRequestHandler):
    def do_GET(self):
        self.send_response(204 if self.headers["Authorization"] == "{SECRET}" else 401)
        self.end_headers()

HTTPServer(("127.0.0.1", 8124), Guarded).serve_forever()
"""
"""Answers with success to whoever sends the secret."""


@host
def test_a_secret_reaches_the_daemon_and_nothing_else(operator: Operator) -> None:
    """Typed as the manual says, it is root's file; the daemon can send it, and neither log nor database has it."""
    station, machine = operator.station, operator.station.machine
    machine.write(f"{NOTES}/guarded.py", GUARDED)
    machine.run(f"systemctl is-active -q ringing-db || systemd-run -q --unit=ringing-db python3 {NOTES}/guarded.py")
    (line,) = re.findall(r"`(password = \{.*\})`", section(MANUAL, SECRETS))
    source = line.removeprefix("password = ")
    mail = f'\n[[notifier]]\nkind = "mail"\nserver = "localhost"\nsecurity = "none"\nuser = "gannet"\n{line}\n'
    mail += 'from = "gannet@gannet.example"\nto = ["keeper@localhost"]\n'
    probe = '\n[[probe]]\nkind = "http"\nname = "ringing-db"\nurl = "http://127.0.0.1:8124/"\nevery = "5s"\n'
    probe += f"headers = {{ Authorization = {source} }}\n"
    machine.write(CONFIG, CONFIGURATION + HIDE_HUB + TIDE_LOG + mail + probe)
    operator.run(_block(SECRETS), given=SECRET)
    operator.assert_running()
    assert machine.run("stat -c '%a %U' /etc/watchkeeper/secrets/*").split() == ["600", "root"]
    station.wait_until("a successful answer", lambda: _answered(station, "service ringing-db"), 120)
    # The install cannot read it, and succeeds nevertheless.
    operator.run(_block(UPGRADE)[1:], timeout_s=INSTALL_S)
    operator.assert_running()
    assert not machine.works(f"journalctl -o export --no-pager -q | grep -aqF {SECRET}")
    assert machine.run(f"grep -rlaF {SECRET} /etc /var/lib /var/backups /var/mail || true").split() == [
        "/etc/watchkeeper/secrets/mail-password"
    ]


@host
def test_a_hanging_daemon_is_restarted(operator: Operator) -> None:
    """A stopped daemon sends no watchdog messages; systemd ends and starts it. After 20 s here instead of 120 s."""
    station, machine = operator.station, operator.station.machine
    with _drop_in(machine, "watchdog.conf", "[Service]\nWatchdogSec=20\n"):
        machine.run("systemctl restart watchkeeper", 240)
        operator.assert_running()
        pid, starts, began = operator.unit_property("MainPID"), operator.unit_property("NRestarts"), machine.now()
        machine.run(f"kill -STOP {pid}")
        assert not machine.works(f"curl -s -m 5 -o /dev/null {PAGE}/")
        station.wait_until(
            "another start", lambda: operator.unit_property("NRestarts") != starts and operator.page_answers(), 240, 1
        )
        station.note(f"watchdog of 20 s: the page answers {machine.now() - began:.0f} s after the daemon was stopped")
        assert operator.unit_property("MainPID") != pid
        assert "Watchdog timeout (limit 20s)" in machine.run("journalctl -u watchkeeper --no-pager -q")


@host
def test_the_service_starts_with_the_host(operator: Operator) -> None:
    """The host restarts, and nobody types anything."""
    machine = operator.station.machine
    boot = machine.run("cat /proc/sys/kernel/random/boot_id")
    machine.down()
    machine.up("--keep")
    assert machine.run("cat /proc/sys/kernel/random/boot_id") != boot
    operator.station.wait_until("the page", operator.page_answers, 300)
    operator.assert_running()


LEFT = ("/etc/watchkeeper", "/var/lib/watchkeeper", BACKUPS, DROP_INS)
"""What `deploy/remove` leaves by the manual, besides the user."""


@host
def test_remove_leaves_what_the_manual_says(operator: Operator) -> None:
    """The service is gone; what is new on the host is only in the places that the manual and the command name."""
    machine = operator.station.machine
    remove = _block(REMOVE)
    text = " ".join(section(MANUAL, REMOVE).split())
    said = operator.run(remove)
    named = [line.strip() for line in said.splitlines() if line.startswith("  ")]
    assert named == [*LEFT, "the user watchkeeper, who owns the database"]
    assert all(f"`{place}`" in text for place in LEFT)
    assert not machine.works("systemctl is-enabled -q watchkeeper")
    assert not machine.works("systemctl is-active -q watchkeeper")
    assert not machine.works("command -v watchkeeper")
    assert not machine.works(f"curl -s -o /dev/null {PAGE}/")
    appeared, gone = operator.changed_files()
    # systemd has the folder of a service with DynamicUser= in a place of its own, with a link to it.
    below = (*LEFT, "/var/lib/private/watchkeeper")
    assert [path for path in appeared if not any(path == each or path.startswith(f"{each}/") for each in below)] == []
    assert gone == []
    assert machine.works("getent passwd watchkeeper")
    assert operator.run(remove) == said


@host
def test_removing_everything_after_an_upgrade_leaves_nothing(operator: Operator) -> None:
    """`deploy/remove --everything` after an upgrade, and again when nothing is left to remove."""
    _removes_everything(operator)
    _removes_everything(operator)


# What the tests share ------------------------------------------------------------------------------------------------


def _block(heading: str) -> list[str]:
    """The first block of commands under a heading of the manual."""
    return commands(MANUAL, heading)[0]


def _get(operator: Operator, path: str) -> list[Event]:
    items: list[Event] = operator.station.get(path)["items"]
    return items


def _journal(operator: Operator) -> str:
    return json.dumps(_get(operator, "/api/v1/events"))


def _answered(station: Station, subject: str) -> Any:
    seen = station.latest(subject).get((subject, "answer"))
    return seen and seen["answered"]


def _installs_again(operator: Operator) -> None:
    machine = operator.station.machine
    before = (_releases(machine), _backups(machine), _placed(machine))
    said = operator.run_timed("install of what is installed", _block(UPGRADE))
    assert "building" not in said
    assert "copied" not in said
    assert f"watchkeeper: version {VERSION} is running: " in said
    assert (_releases(machine), _backups(machine), _placed(machine)) == before
    operator.assert_running()


def _removes_everything(operator: Operator) -> None:
    machine = operator.station.machine
    (everything,) = re.findall(r"`(sudo deploy/remove --everything)`", section(MANUAL, REMOVE))
    assert "removed, with configuration, database and copies" in operator.run([everything])
    assert operator.changed_files() == ([], [])
    for name in ("watchkeeper", "watchkeeper-helper"):
        assert not machine.works(f"getent passwd {name} || getent group {name}"), name


def _releases(machine: Machine) -> list[str]:
    return machine.run(f"ls {HOME}/releases").split()


def _backups(machine: Machine) -> list[str]:
    return machine.run(f"find {BACKUPS} -name '*.db' 2>/dev/null | sort").split()


def _placed(machine: Machine) -> list[str]:
    """What an install creates besides releases: each file with owner, mode, size and the target of a link."""
    where = f"/etc /usr/local {HOME} -path {HOME}/releases -prune -o"
    return machine.run(f"find {where} -printf '%M %u:%g %s %p %l\\n' | LC_ALL=C sort").splitlines()


def _rows(machine: Machine, query: str, path: str = DATABASE) -> list[str]:
    return machine.run(f"sqlite3 -readonly {path} {shlex.quote(query)}").splitlines()


def _kept(machine: Machine, path: str, until_s: int) -> dict[str, list[str]]:
    (version,) = _rows(machine, "PRAGMA user_version", path)
    tables = {name: first if int(version) < 4 else name for name, first in FIRST_TABLES.items()}
    return {what: _rows(machine, query.format(until_s=until_s, **tables), path) for what, query in KEPT.items()}


def _lost(before: dict[str, list[str]], after: dict[str, list[str]]) -> list[str]:
    return [f"{what}: {row}" for what, rows in before.items() for row in sorted(set(rows) - set(after[what]))]


@contextmanager
def _drop_in(machine: Machine, name: str, text: str) -> Iterator[None]:
    machine.run(f"mkdir -p {DROP_INS}")
    machine.write(f"{DROP_INS}/{name}", text)
    machine.run("systemctl daemon-reload")
    try:
        yield
    finally:
        machine.run(f"rm {DROP_INS}/{name} && systemctl daemon-reload")
