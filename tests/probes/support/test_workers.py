"""Calls that may hang: they are left behind, never repeated while they hang, and bounded."""

import asyncio
import subprocess
import sys
import threading

import pytest

from watchkeeper.errors import ProbeError, ProbeTimeout, StillHanging
from watchkeeper.probes.support.workers import IDLE_LIMIT, ThreadWorkers


async def settled(workers: ThreadWorkers) -> None:
    """Wait until nothing hangs any more."""
    async with asyncio.timeout(30):
        while workers.hanging:  # noqa: ASYNC110  what is waited for has no event: a thread comes back
            await asyncio.sleep(0.01)


async def test_returns_what_the_call_returns(workers: ThreadWorkers) -> None:
    """A call's result comes back, and the call ran in another thread."""
    where = await workers.call("a file", threading.get_ident, 5)
    assert where != threading.get_ident()


@pytest.mark.parametrize("error", [OSError(5, "Input/output error"), TimeoutError("its own"), SystemExit(3)])
async def test_raises_what_the_call_raises(workers: ThreadWorkers, error: BaseException) -> None:
    """An error of the call is raised where it was made; a TimeoutError of its own is not taken for ours."""

    def fail() -> None:
        raise error

    with pytest.raises(type(error)) as caught:
        await workers.call("a file", fail, 5)
    assert caught.value is error
    assert workers.hanging == ()


async def test_stop_iteration_does_not_break_the_workers(workers: ThreadWorkers) -> None:
    """StopIteration cannot pass through a coroutine: it arrives as RuntimeError, and the next call works."""
    with pytest.raises(RuntimeError):
        await workers.call("a file", lambda: next(iter(())), 5)
    assert await workers.call("a file", lambda: 1, 5) == 1


async def test_a_call_that_hangs_is_left_behind(workers: ThreadWorkers) -> None:
    """Too late is a ProbeTimeout that names the thing; the same thing is refused at once, another is not."""
    gate = threading.Event()
    with pytest.raises(ProbeTimeout, match="file system /srv did not answer within 1s"):
        await workers.call("file system /srv", gate.wait, 0.6)
    assert workers.hanging == ("file system /srv",)
    with pytest.raises(StillHanging, match="file system /srv still does not answer"):
        await workers.call("file system /srv", lambda: 1, 60)
    assert await workers.call("file system /", lambda: 2, 5) == 2
    gate.set()
    await settled(workers)
    assert await workers.call("file system /srv", lambda: 3, 5) == 3


async def test_a_cancelled_caller_leaves_its_call_behind(workers: ThreadWorkers) -> None:
    """Cancelling the caller does not end the thread, so the thing counts as hanging until it comes back."""
    gate = threading.Event()
    begun = threading.Event()

    def hang() -> None:
        begun.set()
        gate.wait(60)

    task = asyncio.create_task(workers.call("file system /srv", hang, 60))
    await asyncio.to_thread(begun.wait, 30)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert workers.hanging == ("file system /srv",)
    gate.set()
    await settled(workers)


async def test_the_loop_goes_on_while_calls_hang(workers: ThreadWorkers) -> None:
    """The event loop turns while a call hangs."""
    gate, turns = threading.Event(), 0
    task = asyncio.create_task(workers.call("file system /srv", gate.wait, 60))
    for _ in range(10):
        await asyncio.sleep(0.005)
        turns += 1
    assert turns == 10
    assert not task.done()
    gate.set()
    assert await task is True


async def test_calls_beyond_the_limit_wait_their_turn() -> None:
    """No more calls run at once than the limit allows, and all of them are answered."""
    workers, lock, now, most = ThreadWorkers(running_limit=3), threading.Lock(), 0, 0
    three = threading.Barrier(3)

    def work() -> None:
        nonlocal now, most
        with lock:
            now += 1
            most = max(most, now)
        three.wait(60)  # three at once, or nobody goes on
        with lock:
            now -= 1

    await asyncio.gather(*(workers.call(f"thing {n}", work, 90) for n in range(12)))
    workers.close()
    assert most == 3


async def test_a_call_that_never_began_does_not_hang() -> None:
    """A call whose time runs out while it waits for its turn is dropped: its thing can be asked again."""
    workers, gate, ran = ThreadWorkers(running_limit=1), threading.Event(), []
    first = asyncio.create_task(workers.call("slow", gate.wait, 60))
    await asyncio.sleep(0)
    with pytest.raises(ProbeTimeout):
        await workers.call("next", lambda: ran.append(1), 0.05)
    assert workers.hanging == ()
    gate.set()
    await first
    assert await workers.call("next", lambda: 5, 5) == 5
    assert ran == []
    workers.close()


async def test_an_abandoned_call_makes_room_for_the_next() -> None:
    """A hanging call gives up its place among the running ones."""
    workers, gate = ThreadWorkers(running_limit=1), threading.Event()
    hangs = asyncio.create_task(workers.call("slow", gate.wait, 0.2))
    await asyncio.sleep(0)
    assert await workers.call("next", lambda: 5, 10) == 5
    with pytest.raises(ProbeTimeout):
        await hangs
    gate.set()
    await settled(workers)
    workers.close()


async def test_threads_left_behind_are_bounded() -> None:
    """Where too many calls hang, no more are started, and the refusal names some; later all is well again."""
    workers, gate = ThreadWorkers(hanging_limit=2), threading.Event()
    results = await asyncio.gather(
        *(workers.call(f"thing {n}", gate.wait, 0.05) for n in range(2)), return_exceptions=True
    )
    assert [type(result) for result in results] == [ProbeTimeout, ProbeTimeout]
    with pytest.raises(ProbeError, match=r"2 calls hang already \(thing 0, thing 1\)"):
        await workers.call("thing 3", lambda: 1, 5)
    gate.set()
    await settled(workers)
    assert await workers.call("thing 3", lambda: 1, 5) == 1
    workers.close()


async def test_two_calls_about_one_thing_may_both_hang(workers: ThreadWorkers) -> None:
    """The thing is asked again only when every abandoned call about it has come back."""
    gates = [threading.Event(), threading.Event()]
    calls = [workers.call("name lookup", gate.wait, 0.05) for gate in gates]
    await asyncio.gather(*calls, return_exceptions=True)
    gates[0].set()
    await asyncio.sleep(0.05)
    assert workers.hanging == ("name lookup",)
    gates[1].set()
    await settled(workers)


async def test_idle_threads_are_kept_up_to_a_limit_and_end_on_close() -> None:
    """A burst of calls leaves a few idle threads; close() ends them."""
    before = set(threading.enumerate())
    workers, gate = ThreadWorkers(), threading.Event()
    burst = [asyncio.create_task(workers.call(f"thing {n}", gate.wait, 60)) for n in range(IDLE_LIMIT + 3)]
    await asyncio.sleep(0)  # each call has its thread now
    own = [thread for thread in threading.enumerate() if thread not in before]
    gate.set()
    await asyncio.gather(*burst)
    assert len(own) == IDLE_LIMIT + 3
    assert all(thread.daemon for thread in own)
    async with asyncio.timeout(30):
        while sum(thread.is_alive() for thread in own) > IDLE_LIMIT:  # noqa: ASYNC110  a thread tells nobody
            await asyncio.sleep(0.005)
    assert sum(thread.is_alive() for thread in own) == IDLE_LIMIT
    late = asyncio.create_task(workers.call("late", lambda: 1, 5))
    await asyncio.sleep(0)
    workers.close()
    assert await late == 1
    for thread in own:
        thread.join(30)
    assert not any(thread.is_alive() for thread in own)


def test_a_call_may_come_back_after_the_loop_was_closed() -> None:
    """A call that outlives the event loop ends quietly."""
    workers, gate = ThreadWorkers(), threading.Event()
    before = set(threading.enumerate())

    async def hang() -> None:
        with pytest.raises(ProbeTimeout):
            await workers.call("slow", gate.wait, 0.05)

    asyncio.run(hang())
    (left,) = [thread for thread in threading.enumerate() if thread not in before]
    gate.set()
    left.join(5)
    assert not left.is_alive()


def test_a_call_that_hangs_does_not_hold_up_the_end_of_the_process() -> None:
    """A process with a call that never comes back ends by itself, with its own exit code."""
    script = """
import asyncio, sys, threading
from watchkeeper.errors import ProbeTimeout
from watchkeeper.probes.support.workers import ThreadWorkers

async def main():
    try:
        await ThreadWorkers().call("slow", threading.Event().wait, 0.05)
    except ProbeTimeout:
        return 7

sys.exit(asyncio.run(main()))
"""
    done = subprocess.run([sys.executable, "-c", script], timeout=30, check=False)
    assert done.returncode == 7
