"""The example packages at work: found by their entry points, configured by their tables, held to the contract."""

import asyncio
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.support.messages import messages
from watchkeeper.clock import Clock
from watchkeeper.config import plugin_kinds
from watchkeeper.config.plugin_kinds import FoundPlugins, find
from watchkeeper.errors import DeliveryDeferred, DeliveryRefused, ProbeError
from watchkeeper.model.alert import Priority
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Deadline, Level
from watchkeeper.notifiers import plugins as notifiers
from watchkeeper.notifiers.base import BackgroundNotifier, Notifier, NotifierKind, ReceiverSettings
from watchkeeper.probes import plugins as probes
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.settings import settings_model

MESSAGE = messages()[0]


class BrassSettings(ReceiverSettings):
    """Settings of a notifier that the tests write."""

    kind: Any = "brass"


def held(make: Callable[..., Any], **keys: Any) -> Notifier:
    """A notifier of a package, made as the daemon makes it."""
    return notifiers.checked(NotifierKind(BrassSettings, make)).make(BrassSettings(**keys), Clock())


class Brass:
    """A notifier whose delivery is what a test gives it."""

    name, at_least = "another name", Priority.ALARM

    def __init__(self, act: Callable[[], Any]) -> None:
        self._act = act

    async def deliver(self, message: Message) -> None:
        """Do what the test says."""
        assert message == MESSAGE
        await self._act()

    async def close(self) -> None:
        """Do the same."""
        await self._act()


def raising(error: Exception) -> Callable[[], Any]:
    """An act that raises."""

    async def act() -> None:
        raise error

    return act


@asynccontextmanager
async def controller(answer: bytes) -> AsyncIterator[tuple[int, list[str]]]:
    """A bell's controller on a port of its own, and the lines that it was sent."""
    lines: list[str] = []

    async def ring(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        lines.append((await reader.readline()).decode())
        writer.write(answer)
        writer.close()

    server = await asyncio.start_server(ring, "127.0.0.1", 0)
    async with server:
        yield server.sockets[0].getsockname()[1], lines


def bell(found: FoundPlugins[NotifierKind[Any]], port: int, token: Path) -> Notifier:
    """The example notifier, from a table of the configuration."""
    model = settings_model([], (each.settings for each in found.kinds.values()))
    table = {"kind": "bell", "server": "127.0.0.1", "port": port, "token": {"file": str(token)}, "timeout": "20s"}
    (settings,) = model(notifier=[table]).notifiers
    return found.kinds["bell"].make(settings, Clock())


@pytest.mark.usefixtures("installed")
async def test_the_probe_observes(tmp_path: Path) -> None:
    """Its settings take the manual's table, its probe reads the gauge, and a gauge that is missing is an error."""
    found = find(probes.GROUP, ())
    assert found.unusable == ()
    gauge, workers = tmp_path / "tide-gauge", ThreadWorkers()
    kind = found.kinds["tide"]
    table = {"kind": "tide", "name": "jetty", "file": str(gauge), "floods_at": 400}
    probe = kind.make(kind.settings.model_validate(table), ProbeContext(Clock(), workers))
    try:
        with pytest.raises(ProbeError, match="does the gauge run"):
            await probe.observe()
        gauge.write_text("120.5\n")
        level, deadline = await probe.observe()
    finally:
        await probe.close()
        workers.close()
    assert isinstance(level, Level)
    assert (level.used, level.capacity) == (120.5, 400)
    assert isinstance(deadline, Deadline)
    assert deadline.last_at is not None
    assert deadline.last_at <= datetime.now(UTC)


@pytest.mark.usefixtures("installed")
async def test_the_notifier_delivers(tmp_path: Path) -> None:
    """It is found, the model of the configuration knows its table, and the bell gets its line."""
    found = find(notifiers.GROUP, ("mail",))
    assert found.unusable == ()
    (tmp_path / "token").write_text("s3cr3t")
    async with controller(b"rung\n") as (port, lines):
        made = bell(found, port, tmp_path / "token")
        await made.deliver(replace(MESSAGE, priority=Priority.WARNING))
        await made.close()
    assert lines == [f"s3cr3t 2 {MESSAGE.id} {MESSAGE.headline}\n"]
    assert (made.name, made.at_least) == ("bell", Priority.CAUTION)
    assert not isinstance(made, BackgroundNotifier)


@pytest.mark.usefixtures("installed")
@pytest.mark.parametrize(
    ("answer", "error"), [(b"no\n", DeliveryRefused), (b"", DeliveryDeferred), (None, DeliveryDeferred)]
)
async def test_the_notifier_says_why_not(tmp_path: Path, answer: bytes | None, error: type[Exception]) -> None:
    """A bell that refuses is another case than one that says nothing or is not there."""
    found = find(notifiers.GROUP, ())
    (tmp_path / "token").write_text("s3cr3t")
    async with controller(answer or b"") as (port, _):
        listening = port
        if answer is not None:
            with pytest.raises(error, match="the bell"):
                await bell(found, port, tmp_path / "token").deliver(MESSAGE)
    if answer is None:
        with pytest.raises(error, match="is its controller on"):
            await bell(found, listening, tmp_path / "token").deliver(MESSAGE)


@pytest.mark.usefixtures("installed")
async def test_a_secret_that_cannot_be_read_defers(tmp_path: Path) -> None:
    """The operator can put the file there, and nothing is lost."""
    with pytest.raises(DeliveryDeferred, match="token cannot be read from"):
        await bell(find(notifiers.GROUP, ()), 1, tmp_path / "none").deliver(MESSAGE)


async def test_an_unknown_error_defers_and_tells_no_text(caplog: pytest.LogCaptureFixture) -> None:
    """What a package raises may hold a secret: only its type and place are told."""
    notifier = held(lambda _settings, _clock: Brass(raising(ValueError("s3cr3t"))))
    with pytest.raises(DeliveryDeferred, match=r"brass: a delivery failed with ValueError at test_packages\.py:\d+"):
        await notifier.deliver(MESSAGE)
    await notifier.close()
    assert "could not be closed: ValueError" in caplog.text
    assert "s3cr3t" not in caplog.text


async def test_a_delivery_is_bounded() -> None:
    """One that does not return is deferred after the settings' timeout."""
    notifier = held(lambda _settings, _clock: Brass(asyncio.Event().wait), timeout="1s")
    with pytest.raises(DeliveryDeferred, match="brass: no delivery within 1s"):
        await notifier.deliver(MESSAGE)
    await notifier.close()


@pytest.mark.parametrize("error", [DeliveryDeferred("later", retry_after_s=5), DeliveryRefused("never")])
async def test_what_the_contract_knows_is_passed_on(error: Exception) -> None:
    """The outbox gets the very error, with the receiver's wish."""
    with pytest.raises(type(error)) as raised:
        await held(lambda _settings, _clock: Brass(raising(error))).deliver(MESSAGE)
    assert raised.value is error


async def test_its_name_and_priority_are_those_of_its_settings() -> None:
    """A package cannot take the messages of another notifier."""
    notifier = held(lambda _settings, _clock: Brass(raising(ValueError())), name="jetty", at_least="warning")
    assert (notifier.name, notifier.at_least) == ("jetty", Priority.WARNING)


async def test_one_that_cannot_be_made_defers_its_messages() -> None:
    """The daemon starts, and the messages wait with the reason."""
    notifier = held(lambda _settings: None)
    with pytest.raises(DeliveryDeferred, match=r"brass: the notifier cannot be created: TypeError at plugins\.py"):
        await notifier.deliver(MESSAGE)
    await notifier.close()


async def test_one_that_holds_a_connection_is_let_do_so() -> None:
    """What it does between deliveries is run, and what it raises is for the outbox to log."""

    class Steady(Brass):
        async def attend(self) -> None:
            await self._act()

    notifier = held(lambda _settings, _clock: Steady(raising(ConnectionError("gone"))))
    assert isinstance(notifier, BackgroundNotifier)
    with pytest.raises(ConnectionError):
        await notifier.attend()


def test_a_notifier_needs_settings_of_a_receiver(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without them it would have no priority and no quiet hours."""
    from importlib.metadata import EntryPoint

    (tmp_path / "watch_of_tin.py").write_text(
        "from typing import Literal\n"
        "from watchkeeper.config.types import NotifierSettings\n"
        "from watchkeeper.plugin import NotifierKind\n"
        'class Tin(NotifierSettings):\n    kind: Literal["tin"] = "tin"\n'
        "KIND = NotifierKind(Tin, Tin)\n"
    )
    monkeypatch.syspath_prepend(tmp_path)
    point = EntryPoint("tin", "watch_of_tin:KIND", notifiers.GROUP.name)
    (why,) = plugin_kinds.find(notifiers.GROUP, (), [point]).unusable
    sys.modules.pop("watch_of_tin", None)
    assert "inherits watchkeeper.plugin.ReceiverSettings" in str(why)
    assert (why.thing, why.kind) == ("notifier", "tin")
