"""The outbox: which delivery is next, compared with a model that examines all of them."""

import sqlite3
from collections.abc import Collection
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.store.material import DAY, HOUR, MINUTE, START, asked, delivery, line, message, transition
from watchkeeper.errors import StoreError
from watchkeeper.model.records import Commit, Delivery, DeliveryState, Entry, EventLine
from watchkeeper.store import Store, schema
from watchkeeper.store import connection as database
from watchkeeper.store.rows import checked_rows, outbox_rows


async def test_the_delivery_that_is_due_first_is_next(store: Store) -> None:
    """Of several threads the one that is due first, whether or not it is due already; each notifier has its own."""
    await store.commit(
        Commit(
            deliveries=(
                delivery("a", due_at=START + HOUR),
                delivery("b"),
                delivery("c", due_at=START - DAY, notifier="hook"),
            )
        )
    )
    mail, hook = await store.next_delivery("mail"), await store.next_delivery("hook")
    assert mail == replace(delivery("b"), id=2)
    assert hook is not None
    assert hook.message.thread == "c"
    assert await store.next_delivery("nobody") is None


async def test_a_thread_is_told_in_its_order(store: Store) -> None:
    """A deferred first message holds back the later ones of its thread, and no other thread."""
    await store.commit(Commit(deliveries=(delivery("a", 1), delivery("a", 2), delivery("b", 1, START + DAY))))
    first = await store.next_delivery("mail")
    assert first is not None
    await store.delivery_done(replace(first, tries=1, due_at=START + 2 * DAY, trouble="the server is down"))
    other = await store.next_delivery("mail")
    assert other is not None
    assert other.message.thread == "b"
    await store.delivery_done(replace(other, state=DeliveryState.DELIVERED, done_at=START + DAY))
    held = await store.next_delivery("mail")
    assert held == replace(first, tries=1, due_at=START + 2 * DAY, trouble="the server is down")
    await store.delivery_done(replace(held, state=DeliveryState.DELIVERED))
    second = await store.next_delivery("mail")
    assert second is not None
    assert second.message.number == 2


async def test_one_that_was_set_aside_holds_nothing_back(store: Store) -> None:
    """After a refusal the rest of the thread continues; when retried, it goes before the later ones."""
    await store.commit(Commit(deliveries=(delivery("a", 1), delivery("a", 2, START + HOUR))))
    first = await store.next_delivery("mail")
    assert first is not None
    await store.delivery_done(replace(first, state=DeliveryState.SET_ASIDE, done_at=START))
    second = await store.next_delivery("mail")
    assert second is not None
    assert second.message.number == 2
    await store.delivery_done(replace(first, state=DeliveryState.WAITING, due_at=START + DAY))
    again = await store.next_delivery("mail")
    assert again is not None
    assert again.message.number == 1


async def test_what_counts_as_done_is_passed_over(store: Store) -> None:
    """A delivery whose outcome is not written yet lets the next of its thread advance, and is not returned again."""
    await store.commit(Commit(deliveries=(delivery("a", 1), delivery("a", 2), delivery("b", 1, START + HOUR))))

    async def after(*passing: int) -> tuple[str, int] | None:
        found = await store.next_delivery("mail", passing)
        return None if found is None else (found.message.thread, found.message.number)

    assert [await after(), await after(1), await after(1, 2)] == [("a", 1), ("a", 2), ("b", 1)]
    assert await after(1, 3) == ("a", 2)
    assert await after(1, 2, 3) is None
    assert await after(99) == ("a", 1)


async def test_a_delivery_and_its_line_are_written_together(store: Store, path: Path) -> None:
    """The outcome of a delivery and its line in the event log are in one transaction."""
    await store.commit(transition(1))
    (sent,) = await store.deliveries()
    told = EventLine(START + HOUR, Entry.DELIVERY, "mail took it")
    await store.delivery_done(replace(sent, state=DeliveryState.DELIVERED, tries=1, done_at=START + HOUR), told)
    assert (await store.events(limit=1))[0].text == "mail took it"
    assert await store.last_commit_at() == START + HOUR
    with pytest.raises(StoreError, match="no delivery 99 in the outbox"):
        await store.delivery_done(replace(sent, id=99), line("never"))
    assert asked(path, "SELECT count(*) FROM events WHERE body LIKE '%never%'") == [(0,)]


async def test_open_deliveries_are_listed_newest_first(store: Store) -> None:
    """Completed deliveries are listed only on request; those set aside stay until the operator has seen them."""
    await store.commit(Commit(deliveries=tuple(delivery(f"t{n}") for n in range(4))))
    everything = await store.deliveries()
    assert [p.message.thread for p in everything] == ["t3", "t2", "t1", "t0"]
    await store.delivery_done(replace(everything[0], state=DeliveryState.DELIVERED))
    await store.delivery_done(replace(everything[2], state=DeliveryState.SET_ASIDE, trouble="no such mailbox"))
    assert [(p.message.thread, p.trouble) for p in await store.deliveries()] == [
        ("t2", ""),
        ("t1", "no such mailbox"),
        ("t0", ""),
    ]
    assert len(await store.deliveries(only_open=False)) == 4
    assert len(await store.deliveries(limit=2)) == 2


def _best(known: Collection[Delivery], notifier: str, passing: Collection[int]) -> Delivery | None:
    """What next_delivery should return, found by examining every delivery."""
    waiting = [p for p in known if p.notifier == notifier and p.state is DeliveryState.WAITING and p.id not in passing]
    firsts = {p.message.thread: p for p in sorted(waiting, key=lambda p: -p.id)}
    return min(firsts.values(), key=lambda p: (p.due_at, p.id), default=None)


def _forward(known: Delivery, made: Delivery) -> Delivery:
    """A delivery brings forward what it must wait for."""
    same = (known.notifier, known.message.thread) == (made.notifier, made.message.thread)
    waits = same and known.state is DeliveryState.WAITING
    return replace(known, due_at=min(known.due_at, made.due_at)) if waits else known


async def test_waiting_deliveries_are_counted(store: Store, path: Path) -> None:
    """By notifier, from the index alone: a row whose notifier cannot be read is left out."""
    made = [delivery("a", 1), delivery("a", 2), delivery("b", 1, notifier="hook"), delivery("c", 1, notifier="lost")]
    await store.commit(Commit(deliveries=tuple(made)))
    (done, *_) = (p for p in await store.deliveries() if p.notifier == "mail")
    await store.delivery_done(replace(done, state=DeliveryState.DELIVERED, done_at=START))
    with closing(sqlite3.connect(path)) as conn, conn:
        conn.execute("UPDATE outbox SET notifier = 'no JSON' WHERE notifier = '\"lost\"'")
    assert await store.waiting_deliveries() == {"mail": 1, "hook": 1}


async def test_what_must_not_wait_brings_forward_what_it_waits_for(store: Store) -> None:
    """An alarm takes the caution before it along, in their order; other threads and notifiers are not affected."""
    held = START + DAY
    await store.commit(
        Commit(deliveries=(delivery("a", 1, held), delivery("b", 1, held), delivery("a", 1, held, "hook")))
    )
    await store.commit(Commit(deliveries=(delivery("a", 2, START),)))
    found = await store.next_delivery("mail")
    assert found is not None
    assert (found.message.number, found.due_at) == (1, START)
    assert [each.number for each in found.behind] == [2]
    await store.commit(Commit(deliveries=(delivery("b", 2, held + DAY),)))
    other = await store.next_delivery("mail", (found.id, 4))
    assert other is not None
    assert (other.message.thread, other.due_at) == ("b", held)
    elsewhere = await store.next_delivery("hook")
    assert elsewhere is not None
    assert (elsewhere.due_at, elsewhere.behind) == (held, ())


async def test_a_message_that_is_told_late_is_kept_as_it_is_told(store: Store) -> None:
    """The text of a delivery can be rewritten, so that each try sends the same."""
    await store.commit(Commit(deliveries=(delivery("a"),)))
    (made,) = await store.deliveries()
    changed = replace(made.message, id="a-1-late", late=True)
    await store.delivery_done(replace(made, message=changed))
    found = await store.next_delivery("mail")
    assert found is not None
    assert found.message == changed


NOTIFIERS, THREADS = st.sampled_from(["mail", "hook"]), st.sampled_from("abc")
DUE = st.integers(0, 5).map(lambda n: START + n * MINUTE)


@dataclass(frozen=True)
class Put:
    """A delivery is created."""

    notifier: str
    thread: str
    due_at: datetime


@dataclass(frozen=True)
class Done:
    """A delivery has an outcome."""

    number: int
    state: DeliveryState
    due_at: datetime


STEPS = st.builds(Put, NOTIFIERS, THREADS, DUE) | st.builds(
    Done, st.integers(1, 15), st.sampled_from(DeliveryState), DUE
)


@settings(max_examples=60)
@given(st.lists(STEPS, max_size=40), st.sets(st.integers(1, 12), max_size=4))
def test_the_next_delivery_is_the_models(steps: list[Put | Done], passing: set[int]) -> None:
    """Whatever is added, delivered, deferred, set aside and retried: the index finds what a full scan finds."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as conn:
        _compare(conn, steps, passing)


def _compare(conn: sqlite3.Connection, steps: list[Put | Done], passing: set[int]) -> None:
    schema.migrate(conn)
    known: dict[int, Delivery] = {}
    for step in steps:
        if isinstance(step, Put):
            made = Delivery(step.notifier, message(step.thread), START, step.due_at)
            outbox_rows.insert(conn, made)
            known = {number: _forward(each, made) for number, each in known.items()}
            known[len(known) + 1] = replace(made, id=len(known) + 1)
        elif step.number in known:
            known[step.number] = replace(known[step.number], state=step.state, due_at=step.due_at)
            outbox_rows.update(conn, known[step.number])
        for notifier in ("mail", "hook"):
            assert outbox_rows.next_for(conn, notifier, (), _none_damaged) == _best(known.values(), notifier, ())
            assert outbox_rows.next_for(conn, notifier, passing, _none_damaged) == _best(
                known.values(), notifier, passing
            )


def _none_damaged(row: checked_rows.Values, error: checked_rows.RowDamaged) -> None:
    pytest.fail(f"{row}: {error}")


def test_finding_the_next_takes_seeks_only(path: Path) -> None:
    """However many wait, no table or index is scanned: SQLite's plan has no SCAN except of the given ids."""
    path.parent.mkdir()
    conn = database.open_writing(path)
    plan = conn.execute("EXPLAIN QUERY PLAN " + outbox_rows.NEXT, {"name": '"mail"', "passed": "[]"}).fetchall()
    scans = [step for *_, step in plan if "SCAN" in step and "json_each" not in step and "subquery" not in step]
    assert scans == []
    assert any("outbox_next" in step for *_, step in plan)
    conn.close()


async def test_many_waiting_deliveries_of_one_thread_go_one_by_one(store: Store) -> None:
    """A long thread drains in its order, each message once."""
    due = [START + timedelta(minutes=-n) for n in range(60)]
    await store.commit(Commit(deliveries=tuple(delivery("a", n + 1, at) for n, at in enumerate(due))))
    told = []
    while (found := await store.next_delivery("mail")) is not None:
        told.append(found.message.number)
        await store.delivery_done(replace(found, state=DeliveryState.DELIVERED))
    assert told == list(range(1, 61))
