"""`test-notifiers` sends one message through each notifier and shows what became of it."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.cli.conftest import Run, fill
from tests.support import readstore
from tests.support.readstore import NOW, ReadStoreDouble
from tests.support.receivers import Hook, Mailbox, free_port
from watchkeeper.cli.commands.configuration.test_notifiers import Result
from watchkeeper.errors import DeliveryRefused
from watchkeeper.model.records import Commit, DeliveryState
from watchkeeper.notifiers.webhook.webhook import Webhook


@pytest.fixture
def hook() -> Iterator[Hook]:
    """A receiver of webhooks."""
    found = Hook()
    yield found
    found.close()


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    """A mail server."""
    found = Mailbox()
    yield found
    found.close()


def told(config: Path, hook_url: str, smtp_port: int) -> None:
    """Add a webhook and a mail server to a configuration."""
    mail = f'kind = "mail"\nserver = "127.0.0.1"\nport = {smtp_port}\nsecurity = "none"\n'
    people = 'from = "gannet@example.org"\nto = ["keeper@example.org"]\n'
    hook = f'kind = "webhook"\nname = "phone"\nurl = "{hook_url}"\n'
    config.write_text(f"{config.read_text()}[[notifier]]\n{mail}{people}[[notifier]]\n{hook}")


def test_a_message_reaches_every_receiver(run: Run, config: Path, hook: Hook, mailbox: Mailbox) -> None:
    """The message says that it is a test; each receiver has it once."""
    told(config, hook.url, mailbox.port)
    result = run("test-notifiers")
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines() == [
        "  mail      delivered in less than 1 s",
        "  phone     delivered in less than 1 s",
    ]
    assert [mail["Subject"] for mail in mailbox.mails] == ["test message from gannet"]
    assert len(hook.events) == 1


def test_one_can_be_chosen(run: Run, config: Path, hook: Hook, mailbox: Mailbox) -> None:
    """Named notifiers alone are tried, each once."""
    told(config, hook.url, mailbox.port)
    found = json.loads(run("test-notifiers", "--json", "phone", "phone").stdout)
    assert found["delivered"] is True
    assert [each["name"] for each in found["notifiers"]] == ["phone"]
    assert mailbox.mails == []


def test_one_that_fails_is_exit_code_1_and_holds_up_no_other(run: Run, config: Path, hook: Hook) -> None:
    """The reason stands beside the name."""
    told(config, hook.url, free_port())
    result = run("test-notifiers")
    assert result.exit_code == 1
    assert "not delivered: " in result.stdout
    assert "phone" in result.stdout
    assert len(hook.events) == 1
    found = json.loads(run("test-notifiers", "--json").stdout)
    assert [(each["delivered"], bool(each["error"])) for each in found["notifiers"]] == [(False, True), (True, False)]


def test_one_that_refuses_is_told_as_such(
    run: Run, config: Path, hook: Hook, mailbox: Mailbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What will never work is not what may work later; a refusal without a reason still says so."""

    async def refuse(_self: Webhook, _message: object) -> None:
        raise DeliveryRefused("")

    monkeypatch.setattr(Webhook, "deliver", refuse)
    told(config, hook.url, mailbox.port)
    assert "  phone     refused: no reason was given" in run("test-notifiers").stdout


def test_a_slow_delivery_says_how_long_it_took() -> None:
    """Seconds matter where somebody waits."""
    assert Result("mail", "mail", 12.3).words == "delivered in 12 s"


def test_without_a_notifier_there_is_nothing_to_test(run: Run) -> None:
    """Exit code 64, and what to add."""
    result = run("test-notifiers")
    assert result.exit_code == 64
    assert "the configuration has no [[notifier]]; add one, then try again" in result.stderr


def test_a_name_that_is_not_known_sends_nothing(run: Run, config: Path, hook: Hook, mailbox: Mailbox) -> None:
    """The known names are told."""
    told(config, hook.url, mailbox.port)
    result = run("test-notifiers", "phone", "pone")
    assert result.exit_code == 64
    assert 'there is no notifier "pone"; known: mail, phone' in result.stderr
    assert hook.events == []


def test_warnings_of_the_configuration_are_told(
    run: Run, config: Path, hook: Hook, mailbox: Mailbox, tmp_path: Path
) -> None:
    """A secret that everybody can read is told before it is used."""
    secret = tmp_path / "secret"
    secret.write_text("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    secret.chmod(0o644)
    told(config, hook.url, mailbox.port)
    config.write_text(config.read_text() + f'secret = {{ file = "{secret}" }}\n')
    assert f"every user of this host can read {secret}" in run("test-notifiers", "phone").stderr


def test_what_was_set_aside_is_listed(run: Run, config: Path, hook: Hook, mailbox: Mailbox) -> None:
    """What a receiver never took is shown with its reason; what is another's, or still waits, is not."""
    told(config, hook.url, mailbox.port)
    waits = readstore.delivery(NOW)
    aside = [
        replace(waits, notifier="phone", state=DeliveryState.SET_ASIDE, trouble=f"phone: 404 Not Found ({n})")
        for n in range(12)
    ]
    more = [waits, replace(aside[0], notifier="gone")]
    fill(config.parent / "watchkeeper.db", ReadStoreDouble(), [Commit(deliveries=(*aside, *more))])
    result = run("test-notifiers")
    assert result.exit_code == 0
    assert "Undeliverable messages" in result.stdout
    assert "phone: pool skerry full in about 3 days" in result.stdout
    assert "phone: 404 Not Found (11)" in result.stdout
    assert "phone: 404 Not Found (1)" not in result.stdout
    assert "2 more are not listed; see `watchkeeper events --entry delivery`." in result.stdout
    assert "gone" not in result.stdout
    found = json.loads(run("test-notifiers", "--json", "mail").stdout)
    assert found["undeliverable"] == []
    assert len(json.loads(run("test-notifiers", "--json", "phone").stdout)["undeliverable"]) == 12
