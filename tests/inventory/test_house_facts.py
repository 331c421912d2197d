"""What the sheet takes of a configuration: names, places, what the operator wrote, and no secret."""

from datetime import UTC, datetime
from pathlib import Path

from watchkeeper import settings
from watchkeeper.config.secrets import Secrets
from watchkeeper.inventory.house_facts import house_facts
from watchkeeper.messages.reports.report import report_text
from watchkeeper.messages.reports.sheet import BackupPlace, sheet

SECRET = "tern-4471-secret"


def configuration(folder: Path) -> Path:
    """One with every place where a secret, a login or an address of a receiver is."""
    (folder / "secret").write_text(SECRET)
    file = f'{{ file = "{folder / "secret"}" }}'
    path = folder / "gannet.toml"
    path.write_text(f"""
[host]
name = "gannet"
[sheet]
contacts = ["the warden: 100"]
what_if = {{ "The hides are dark" = "look at hide-hub" }}
[page]
hosts = ["gannet.example.org"]
password = {file}
address = "https://gannet.example.org/watch/"
[[page.token]]
name = "panel"
secret = {file}
rights = ["read"]
[heartbeat]
url = {file}
token = {file}
[archive]
url = {file}
[[notifier]]
kind = "mail"
name = "post"
server = "mail.example.org"
user = "gannet-login"
password = {file}
from = "gannet@example.org"
to = ["operator@example.org"]
[[notifier]]
kind = "webhook"
url = {file}
secret = {file}
[[probe]]
kind = "snapshots"
name = "hide-hub"
files = ["/srv/copies/hide-hub-*.img"]
max_age = "1d"
backup_of = ["hide-hub"]
[[probe]]
kind = "job"
name = "nightly"
within = "26h"
backup_of = ["*"]
token = {file}
[[probe]]
kind = "http"
url = "http://127.0.0.1:1/?key=in-the-url"
name = "hub"
""")
    return path


def test_no_secret_is_on_the_sheet(tmp_path: Path) -> None:
    """Nor where one lies, nor an address or a login of a receiver."""
    known = settings.read(configuration(tmp_path), secrets=Secrets.LEFT_ALONE).settings
    facts = house_facts(known)
    text = report_text(sheet(facts, [], lambda _: (), UTC, datetime(2026, 12, 1, tzinfo=UTC)))
    for absent in (SECRET, str(tmp_path), "gannet-login", "mail.example.org", "operator@", "in-the-url"):
        assert absent not in text
    assert "https://gannet.example.org/watch/" in text
    assert "post (mail)" in text
    assert facts.backups == (
        BackupPlace(("hide-hub",), "files /srv/copies/hide-hub-*.img", "hide-hub"),
        BackupPlace(("*",), "job nightly, at least every 1 day 2 h", "nightly"),
    )
