"""`check-config` says what a configuration means, and every problem of one that cannot be used."""

import json
import re
import subprocess
from pathlib import Path

import pytest

from tests.cli.conftest import Run, fill
from tests.support.readstore import calm
from watchkeeper.probes.registry import PROBES

DOCUMENT = """
[host]
name = "gannet"
time_zone = "Europe/London"
[store]
path = "/tmp/gannet/watchkeeper.db"
[[probe]]
kind = "http"
name = "hide-hub"
url = "http://127.0.0.1:8123/?key=rope"
every = "90s"
headers = { Authorization = { file = "TOKEN" }, Accept = "text/html" }
[probe.rules.not_answering]
warning = "5m"
[[notifier]]
kind = "webhook"
name = "phone"
url = { file = "TOKEN" }
secret = { credential = "phone-secret" }
"""


@pytest.fixture
def document(config: Path, tmp_path: Path) -> Path:
    """The document, with its secret in a file."""
    token = tmp_path / "token"
    token.write_text("s3cr3t")
    token.chmod(0o600)
    config.write_text(DOCUMENT.replace("TOKEN", str(token)))
    return config


def test_what_will_be_watched_and_told(run: Run, document: Path, tmp_path: Path) -> None:
    """Each probe and notifier with its keys; of secrets only where they come from."""
    result = run("check-config")
    assert result.exit_code == 0
    # Paths of a test are longer than a line, so a wrapped one is put together again.
    assert re.sub(r"\n +/", " /", result.stdout).splitlines() == [
        f"{document} can be used.",
        "",
        "  host      gannet, times in Europe/London",
        "  database  /tmp/gannet/watchkeeper.db",
        "  page      127.0.0.1, port 8417",
        "",
        "Monitored",
        "  filesystems    filesystems, every 1m, because of watch_host",
        "  memory         memory, every 30s, because of watch_host",
        "  pressure       pressure, every 1m, because of watch_host",
        "  kernel-tables  kernel-tables, every 1m, because of watch_host",
        "  restarts       restarts, every 1m, because of watch_host",
        "  kernel-log     kernel-log, every 2m, because of watch_host",
        "  self-check     self-check, every 1m, because of watch_host",
        "  coverage       coverage, every 1h, because of watch_host",
        "  changes        changes, every 1m, because of watch_host",
        "  backups        backups, every 6h, because of watch_host",
        "  hide-hub       http, every 1m30s",
        "                 own rules: not_answering",
        '                 url = "http://127.0.0.1:8123/?..."',
        "                 headers: set",
        "",
        "Notified",
        "  phone     webhook",
        f"            url: from {tmp_path}/token",
        "            secret: from /run/credentials/phone-secret",
    ]
    assert result.stderr == (
        'watchkeeper: notifier[1].secret: the credential "phone-secret" comes from systemd '
        "and could not be checked here\n"
    )


def test_without_anything_the_defaults_are_told(run: Run, config: Path) -> None:
    """Nobody is told then, and that is said."""
    config.write_text("[page]\nport = 0")
    result = run("check-config")
    assert "page      127.0.0.1, any free port" in result.stdout
    assert "nobody    There is no [[notifier]]; alerts are only on the page and in" in result.stdout


def test_root_is_told_the_service_s_database(
    run: Run, config: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever looks after the service has no database of their own; the one that the commands read is named."""
    config.write_text("")
    service = tmp_path / "service.db"
    service.touch()
    monkeypatch.setattr("watchkeeper.cli.database.SYSTEM_STATE", service)
    # Paths of a test are longer than a line.
    assert f"database{service}page" in re.sub(r"\s", "", run("check-config").stdout)
    assert json.loads(run("check-config", "--json").stdout)["store"] == str(service)


def test_no_file_at_all_is_said(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever thinks that their file is read sees that it is not."""
    monkeypatch.setattr("watchkeeper.cli.command_group.click.Context.find_object", lambda _context, _type: None)
    assert run("check-config").stdout.startswith("There is no configuration file; the defaults are used.")


def test_a_watch_over_nothing_is_warned_of(run: Run, config: Path) -> None:
    """It can be meant, so it is no error."""
    config.write_text("watch_host = false")
    result = run("check-config")
    assert result.exit_code == 0
    assert result.stderr == "watchkeeper: nothing is monitored: watch_host is false and there is no [[probe]]\n"


@pytest.mark.usefixtures("document")
def test_the_object_for_scripts(run: Run) -> None:
    """--json prints what is used, and warnings, as one object; no secret is in it."""
    result = run("check-config", "--json")
    found = json.loads(result.stdout)
    assert (found["usable"], found["problems"], found["host"]) == (True, [], "gannet")
    assert found["probes"][-1] == {"name": "hide-hub", "kind": "http", "every_s": 90.0, "timeout_s": 10.0}
    assert found["notifiers"] == [{"name": "phone", "kind": "webhook"}]
    assert len(found["warnings"]) == 1
    assert result.stderr == ""
    assert "s3cr3t" not in result.stdout


def test_every_problem_is_told_at_once(run: Run, config: Path) -> None:
    """In words on stderr, or as an object on stdout; exit code 2 both ways."""
    config.write_text('[[probe]]\nkind = "htpp"\n[pgae]\n')
    told = run("check-config")
    assert (told.exit_code, told.stdout) == (78, "")
    assert told.stderr == (
        f"watchkeeper: {config} cannot be used:\n"
        '  line 2: probe[1].kind (the 1st [[probe]], of kind "htpp"): "htpp" is not a known kind; did you mean "http"? '
        f"The kinds are {', '.join(PROBES)}\n"
        "  line 3: pgae: is not a known key; did you mean page?\n"
    )
    found = run("check-config", "--json")
    assert found.exit_code == 78
    assert json.loads(found.stdout) == {
        "source": str(config),
        "usable": False,
        "problems": [
            {
                "place": "probe[1].kind",
                "line": 2,
                "of": 'the 1st [[probe]], of kind "htpp"',
                "what": f'"htpp" is not a known kind; did you mean "http"? The kinds are {", ".join(PROBES)}',
            },
            {"place": "pgae", "line": 3, "of": "", "what": "is not a known key; did you mean page?"},
        ],
        "warnings": [],
    }


def test_problems_of_the_environment_name_no_file(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a file the source is null."""
    monkeypatch.setattr("watchkeeper.cli.command_group.click.Context.find_object", lambda _context, _type: None)
    monkeypatch.setenv("WATCHKEEPER_PAGE__PORT", "many")
    assert json.loads(run("check-config", "--json").stdout)["source"] is None


def test_names_and_subjects_that_match_nothing_are_said(run: Run, config: Path, tmp_path: Path) -> None:
    """Files, disks, and subjects of rules, notifiers and causes; not what a probe of this configuration brings."""
    fill(config.with_name("watchkeeper.db"), calm())
    there = tmp_path / "there.img"
    there.touch()
    config.write_text(
        config.read_text()
        + f"""
[rules.used_share]
subjects = ["pool sk*", "pol skerry"]
[[probe]]
kind = "snapshots"
name = "ringing-db"
files = ["{there}", "{tmp_path}/**/*.img", "{tmp_path}/none/*.img"]
max_age = "26h"
depends_on = ["pool skerry", "pool skery", "disk-latency"]
[[probe]]
kind = "disk-latency"
exclude = ["no-such-disk"]
[[probe]]
kind = "tcp"
name = "ssh"
port = 22
guest = "hide-hob"
[[notifier]]
kind = "webhook"
url = "http://127.0.0.1:9/"
subjects = ["pool *", "gest *"]
"""
    )
    assert json.loads(run("check-config", "--json").stdout)["warnings"] == [
        f'probe ringing-db: files "{tmp_path}/none/*.img" matches no file of this host now',
        'probe disk-latency: exclude "no-such-disk" matches no disk of this host now',
        'probe ssh: guest "hide-hob" has no address without a probe of kind guest-agents',
        'rules.used_share: subjects "pol skerry" matches no subject that was recorded so far',
        'notifier webhook: subjects "gest *" matches no subject that was recorded so far',
        'probe ringing-db: depends_on "pool skery" matches no subject that was recorded so far',
        'probe ssh: guest "hide-hob" matches no subject that was recorded so far',
    ]


def test_guests_are_looked_for_among_those_that_run(run: Run, config: Path) -> None:
    """A real process with the name and the options of QEMU; where none runs, nothing is said of a pattern."""
    config.write_text(
        f'{config.read_text()}[[probe]]\nkind = "guests"\nsockets = ["/*"]\nexclude = ["trial-*", "tide*"]\n'
    )
    argv = ["qemu-system-x86_64", "-c", "read line", "-name", "guest=tide-log"]
    with subprocess.Popen(argv, executable="/bin/sh", stdin=subprocess.PIPE) as guest:
        warnings = json.loads(run("check-config", "--json").stdout)["warnings"]
        guest.kill()
    assert 'probe guests: exclude "trial-*" matches no guest of this host now' in warnings
    assert not any('"tide*"' in each for each in warnings)


def test_patterns_that_match_nothing_are_said(run: Run, config: Path) -> None:
    """A misspelt mount point passes every other check; what matches is not mentioned."""
    patterns = 'only = ["/", "/bot"]\nalso = ["/*"]\nexclude = ["/nothing-here/*", "/proc"]\n'
    config.write_text(f'{config.read_text()}[[probe]]\nkind = "filesystems"\n{patterns}')
    result = run("check-config")
    assert result.exit_code == 0
    said = [" ".join(line.split()) for line in result.stderr.splitlines() if "matches no mount point" in line]
    assert said == [
        'watchkeeper: probe filesystems: only "/bot" matches no mount point of this host now',
        'watchkeeper: probe filesystems: exclude "/nothing-here/*" matches no mount point of this host now',
    ]
    assert len(json.loads(run("check-config", "--json").stdout)["warnings"]) == 2


def test_a_page_for_every_network_is_warned_of(run: Run, config: Path, tmp_path: Path) -> None:
    """Without TLS the password can be read, and without hosts it answers to nobody else."""
    (tmp_path / "hash").write_text("x")
    (tmp_path / "hash").chmod(0o600)
    listens = f'[page]\nlisten = "0.0.0.0"\npassword = {{ file = "{tmp_path}/hash" }}'
    config.write_text(config.read_text().replace("[page]", listens))
    tls, hosts = json.loads(run("check-config", "--json").stdout)["warnings"]
    assert (tls.startswith('page: listen "0.0.0.0" serves'), hosts.startswith("page: hosts is not set")) == (True, True)
    config.write_text(config.read_text().replace("[page]", '[page]\nhosts = ["192.0.2.7"]'))
    assert json.loads(run("check-config", "--json").stdout)["warnings"] == [tls]
