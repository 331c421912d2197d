"""The planner is imported and made with the first question, once."""

import pytest

from tests.support.readstore import calm
from watchkeeper.probes.base import ProbeContext
from watchkeeper.runtime import late_planner
from watchkeeper.runtime.late_planner import LatePlanner
from watchkeeper.settings import Settings


class Counted:
    """A planner that says which one it is."""

    made = 0

    def __init__(self, *_: object, queue: object) -> None:
        Counted.made += 1
        self.number, self.queue = Counted.made, queue

    async def backups(self, *, signed_in: bool) -> tuple[int, bool]:
        """The answer names the planner."""
        return self.number, signed_in


async def test_one_planner_answers_all_questions(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """And a new configuration has one of its own, with the queue of the one before."""
    monkeypatch.setattr(late_planner, "_host_planner", lambda: Counted)
    first = LatePlanner(Settings(), calm(), bench)  # type: ignore[arg-type]
    assert Counted.made == 0
    answers: list[object] = [await first.backups(signed_in=each) for each in (True, False)]
    assert answers == [(1, True), (1, False)]
    second = LatePlanner(Settings(), calm(), bench, before=first)  # type: ignore[arg-type]
    assert second.queue is first.queue
    answer: object = await second.backups()
    assert answer == (2, False)
