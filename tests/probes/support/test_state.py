"""A probe's notes across restarts, and a store that cannot keep them."""

import logging

import pytest

from watchkeeper.errors import StoreError, StoreFull
from watchkeeper.model.probe_state import NOTES_LIMIT, MemoryStateStore
from watchkeeper.probes.support.state import ProbeState, StateModel


class Names(StateModel):
    names: tuple[str, ...] = ()


class Counting(MemoryStateStore):
    """Notes that count how often they are written, and can refuse."""

    def __init__(self) -> None:
        super().__init__()
        self.writes = 0
        self.full = False

    async def write(self, owner: str, text: str) -> None:
        if self.full:
            raise StoreFull("no room")
        self.writes += 1
        await super().write(owner, text)


async def test_notes_outlive_the_probe() -> None:
    """What one notebook wrote, the next of the same owner reads; another owner's is empty."""
    notes = Counting()
    await ProbeState(notes, "guests", Names()).write(Names(names=("hide-hub",)))
    assert await ProbeState(notes, "guests", Names()).read() == Names(names=("hide-hub",))
    assert await ProbeState(notes, "units", Names()).read() == Names()


async def test_what_is_noted_already_is_not_written() -> None:
    """The same page costs no write; one that is only held costs none, and is read all the same."""
    notes = Counting()
    book = ProbeState(notes, "guests", Names())
    for _ in range(3):
        await book.write(Names(names=("a",)))
    assert notes.writes == 1
    book.hold(Names(names=("b",)))
    assert await book.read() == Names(names=("b",))
    assert notes.writes == 1
    await book.write(Names(names=("b",)))
    assert notes.writes == 2


async def test_a_store_without_room(caplog: pytest.LogCaptureFixture) -> None:
    """The probe goes on with what it holds in memory, says so in the log, and writes when there is room."""
    notes = Counting()
    notes.full = True
    book = ProbeState(notes, "guests", Names())
    with caplog.at_level(logging.WARNING):
        await book.write(Names(names=("a",)))
    assert "the state of probe guests is not stored: no room" in caplog.text
    assert await book.read() == Names(names=("a",))
    notes.full = False
    await book.write(Names(names=("a",)))
    assert notes.writes == 1


async def test_a_store_that_cannot_be_read(caplog: pytest.LogCaptureFixture) -> None:
    """A look without notes is a first look."""

    class Broken(MemoryStateStore):
        async def read(self, owner: str) -> str:
            raise StoreError(f"{owner} is damaged")

    with caplog.at_level(logging.WARNING):
        assert await ProbeState(Broken(), "guests", Names()).read() == Names()
    assert "cannot be read: guests is damaged" in caplog.text


@pytest.mark.parametrize("text", ["{", "[]", '{"names": 7}', "\x00", '{"names": [[]]}'])
async def test_notes_that_make_no_sense(text: str, caplog: pytest.LogCaptureFixture) -> None:
    """Notes of another version, or edited by hand, are a first look and not a failure."""
    notes = MemoryStateStore()
    await notes.write("guests", text)
    with caplog.at_level(logging.WARNING):
        assert await ProbeState(notes, "guests", Names()).read() == Names()
    assert "starts without it" in caplog.text


async def test_notes_that_are_too_long(caplog: pytest.LogCaptureFixture) -> None:
    """Far too much is held, and not kept."""
    notes = Counting()
    book = ProbeState(notes, "guests", Names())
    with caplog.at_level(logging.WARNING):
        await book.write(Names(names=("x" * NOTES_LIMIT,)))
    assert notes.writes == 0
    assert "too long to be stored" in caplog.text
