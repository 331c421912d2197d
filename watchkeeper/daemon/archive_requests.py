"""Does what a station asks of this host through the archive, if the configuration allows it.

A request names the alert as the operator saw it: what has ended or was raised again since is left as it is. Each answer
is also a line of this host's event log, which every station shows. Not here: the requests themselves
(archive/requests.py).
"""

from collections.abc import Sequence
from datetime import timedelta

from watchkeeper.archive.requests import AckRequest
from watchkeeper.messages.wording import clean
from watchkeeper.model.alert import State
from watchkeeper.model.records import Entry
from watchkeeper.runtime.runner import Runner

LONGEST_AGE = timedelta(days=1)
"""A request that reaches the host later says little about what the operator knows now."""


class ArchiveRequests:
    """Carries requests out."""

    def __init__(self, runner: Runner, *, accepted: bool) -> None:
        """accepted: whether this host does what stations ask."""
        self._runner, self._accepted = runner, accepted

    async def carry_out(self, asked: Sequence[AckRequest]) -> list[str]:
        """Carry requests out; returns what became of each."""
        return [await self._one(each) for each in asked]

    async def _one(self, asked: AckRequest) -> str:
        said = await self._acknowledged(asked)
        line = f"the station {clean(asked.made_by)} asked to acknowledge this: {said}"
        await self._runner.pipeline.note(Entry.NOTE, line, asked.key)
        return said

    async def _acknowledged(self, asked: AckRequest) -> str:
        if not self._accepted:
            return "this host does not do what stations ask; set archive.accept_requests = true on it to allow that"
        if asked.age_s > LONGEST_AGE.total_seconds():
            return "nothing was done: the request was more than a day old"
        pipeline = self._runner.pipeline
        alert = pipeline.state.book.find(asked.key, asked.concern)
        if alert is not None and alert.episode == asked.episode and alert.state is State.ACKNOWLEDGED:
            return "it was acknowledged already"
        if alert is None or alert.episode != asked.episode:
            return "nothing was done: the alert has changed since"
        done = await pipeline.acknowledge(asked.key, asked.concern)
        return "acknowledged" if done else "nothing was done: the alert is no longer active"
