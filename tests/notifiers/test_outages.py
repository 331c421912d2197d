"""A day with a receiver that fails, on the real store, with real servers and real protocols, in simulated time.

Twelve hours of trouble begin after one hour. Whatever the trouble: everything arrives in the end, once, in its order,
and messages to another receiver are never late by more than a tick.
"""

import asyncio
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import trustme

from tests.support.bad_servers import BadHook, BadMailServer
from tests.support.messages import after, episode, filling, level, told
from tests.support.outbox import ScriptedNotifier
from tests.support.virtual import Happening, VirtualTime
from watchkeeper.errors import DeliveryDeferred
from watchkeeper.model.message import Message
from watchkeeper.model.records import Commit, DeliveryState
from watchkeeper.notifiers.base import Notifier
from watchkeeper.notifiers.mail.mail import MailSettings
from watchkeeper.notifiers.outbox.outbox import IDLE_S, Outbox
from watchkeeper.notifiers.outbox.retry_policy import DEFAULT_POLICY, RetryPolicy
from watchkeeper.notifiers.registry import make_notifier
from watchkeeper.notifiers.webhook.webhook import WebhookSettings
from watchkeeper.store.store import Store

HOUR_S, DAY_S = 3_600.0, 86_400.0
TICK_S = IDLE_S
WORSE_S, WELL_S = 1 * HOUR_S, 13 * HOUR_S


def day() -> list[tuple[float, Message]]:
    """The events of that day: an episode of four messages, and single ones before, during and after the trouble."""
    alone = [(hours, told([filling(after(hours=hours), 3.2)], level())[0]) for hours in (0.5, 4.0, 12.9, 20.0)]
    found = [(hours * HOUR_S, each.message(f"gannet-{hours}")) for hours, each in alone]
    found += [(hours * HOUR_S, each.message()) for hours, each in zip((2, 6, 10, 18), episode(), strict=True)]
    return found


class Day:
    """An outbox with one receiver that fails and one that works, and the outcome."""

    def __init__(self, store: Store, time: VirtualTime, bad: Notifier, patience: RetryPolicy) -> None:
        self.store, self.time = store, time
        self.good = ScriptedNotifier(name="good")
        self.outbox = Outbox(store, [bad, self.good], time, patience=patience, rest=time.rest)

    def happening(self, at_s: float, message: Message) -> Happening:
        async def happens() -> None:
            now = self.time.now()
            deliveries = self.outbox.deliveries_for(replace(message, at=now), now)
            await self.store.commit(Commit(deliveries=deliveries))
            self.outbox.poke()

        return at_s, happens

    async def passes(self, *more: Happening) -> None:
        """Run the whole day."""
        task = asyncio.create_task(self.outbox.run())
        try:
            await self.time.run(DAY_S, [*(self.happening(*each) for each in day()), *more])
            await self.time.all_rest()
        finally:
            await self.outbox.close(5)
            await task

    async def judge(self, arrived: list[str]) -> None:
        """Check that everything has arrived, once, in its order; and that nothing else was late."""
        deliveries = await self.store.deliveries(only_open=False, limit=1_000)
        assert {each.state for each in deliveries} == {DeliveryState.DELIVERED}
        assert len(deliveries) == 2 * len(day())
        ids = [each.removesuffix("-late") for each in arrived]
        assert sorted(ids) == sorted(message.id for _, message in day())
        thread = [each.message().id for each in episode()]
        assert [each for each in ids if each in thread] == thread
        late_s = [(each.done_at - each.made_at).total_seconds() for each in deliveries if each.done_at]
        good = [late for late, each in zip(late_s, deliveries, strict=True) if each.notifier == "good"]
        assert max(good) <= TICK_S
        bad = [(p.made_at, p.done_at) for p in deliveries if p.notifier != "good"]
        # What waited is sent within the longest back-off once the receiver works.
        latest = max(done for _, done in bad if done is not None)
        assert (latest - self.time.began_at).total_seconds() < DAY_S
        in_trouble = [done for made, done in bad if (made - self.time.began_at).total_seconds() < WELL_S and done]
        assert max((done - self.time.began_at).total_seconds() for done in in_trouble) <= WELL_S + 5_400 + 60


@asynccontextmanager
async def day_with(
    folder: Path, bad: Notifier, time: VirtualTime, patience: RetryPolicy = DEFAULT_POLICY
) -> AsyncIterator[Day]:
    """A day on a new store."""
    store = await Store.open(folder / "watchkeeper.db")
    try:
        yield Day(store, time, bad, patience)
    finally:
        await store.close()


@pytest.mark.parametrize("how", ["down", "slow", "refusing", "greylisting", "cutting off"])
async def test_a_mail_server(tmp_path: Path, how: str) -> None:
    """Down, one byte a second, no service, come back later, and cut off after the whole mail."""
    time = VirtualTime(2)
    server = BadMailServer(time)
    await server.be("well")
    keys: dict[str, Any] = {"server": "127.0.0.1", "port": server.port, "security": "none", "timeout": "0.4s"}
    people = {"from": "gannet@example.org", "to": ["keeper@example.org"]}
    mail = make_notifier(MailSettings.model_validate({"kind": "mail", **keys, **people}), time)
    # Each try of a slow server takes its whole time, in real time.
    patience = RetryPolicy(longest_s=5_000) if how == "slow" else DEFAULT_POLICY
    async with day_with(tmp_path, mail, time, patience) as found:
        await found.passes((WORSE_S, lambda: server.be(how)), (WELL_S, lambda: server.be("well")))
        await found.judge(server.ids())
    assert server.tries < 250  # no storm: at most two an hour for each thread after its first waits
    if how != "down":
        assert server.tries > len(day())
    await server.be("down")


@pytest.mark.parametrize("how", ["down", "500", "429", "redirect", "endless", "bad TLS"])
async def test_a_webhook_receiver(tmp_path: Path, how: str) -> None:
    """Down, failing, requesting a delay, redirecting, answering endlessly, and with another host's certificate."""
    authority, other = trustme.CA(), trustme.CA()
    contexts = []
    for ca in (authority, other):
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        ca.issue_cert("127.0.0.1").configure_cert(context)
        contexts.append(context)
    authority.cert_pem.write_to_path(str(tmp_path / "own.pem"))
    time = VirtualTime(2)
    server = BadHook(*contexts)
    await server.be("well")
    url = f"https://127.0.0.1:{server.port}/hook"
    keys = {"kind": "webhook", "url": url, "ca_file": str(tmp_path / "own.pem"), "timeout": "5s"}
    async with day_with(tmp_path, make_notifier(WebhookSettings.model_validate(keys), time), time) as found:
        await found.passes((WORSE_S, lambda: server.be(how)), (WELL_S, lambda: server.be("well")))
        await found.judge([each["id"] for each in server.got])
    assert server.tries < 250
    if how == "429":
        assert server.tries < 60  # its own requested delay, an hour and a half, was honoured
    await server.close()


async def test_the_judge_can_fail(tmp_path: Path) -> None:
    """A receiver that never recovers is detected: this test of the test would notice a lost message."""
    time = VirtualTime(2)
    never = ScriptedNotifier([DeliveryDeferred("post: later") for _ in range(10_000)])
    async with day_with(tmp_path, never, time) as found:
        await found.passes()
        with pytest.raises(AssertionError):
            await found.judge(never.got)
