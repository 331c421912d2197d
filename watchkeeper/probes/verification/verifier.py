"""Reads the newest files of all sets, one file at a time, for some seconds of every five minutes.

Each set asks in its own runs, so what is monitored and what is read never differ. Not here: the reading (reader.py),
and what follows from it (checked.py).
"""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

from watchkeeper.errors import ProbeError, StoreError
from watchkeeper.model.observation import Observed, SeriesKey, Unseen
from watchkeeper.model.ports import ReadStore
from watchkeeper.model.units import format_size
from watchkeeper.probes.base import BackupSet, Listed, ProbeContext
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.state import ProbeState
from watchkeeper.probes.verification import checked
from watchkeeper.probes.verification.checked import Checked, SetChecked, Wrote
from watchkeeper.probes.verification.reader import Reader, Result

GRANT_S, GRANT_EVERY_S = 20.0, 240.0
"""At most 8 % of the time is spent on reading: at 100 MB/s some 600 GB a day."""


@dataclass(slots=True)
class _Turn:
    """A file that is being read, for a set. result: waits for the next run of the set's probe."""

    label: str
    file: Listed
    reader: Reader
    granted_s: float
    result: Result | None = None


class Verifier:
    """Implements Verification (probes/base.py). store: what guests have written, as it is recorded."""

    def __init__(self, store: ReadStore | None = None) -> None:
        self._store = store
        self._turn: _Turn | None = None
        self._began_s: dict[str, float] = {}
        self._waiting: set[str] = set()

    async def look(self, context: ProbeContext, backups: BackupSet, files: Sequence[Listed]) -> Sequence[Observed]:
        """What is known of the set's newest files; reads on, or begins with one that is due."""
        now_s = context.clock.now().timestamp()
        state = ProbeState(context.probe_states, backups.label, SetChecked())
        known = checked.current_only(await state.read(), files)
        current = checked.newest(files, now_s, backups.max_age_s)
        trouble: list[Observed] = []
        try:
            known = await self._advance(context, backups.label, known, now_s)
            self._begin(context, backups.label, checked.due(current, known, now_s))
        except ProbeError as error:
            trouble = [Unseen(f"snapshots of {backups.name}: content", str(error))]
        wrote = await self._wrote(backups, checked.unchanged(known, current))
        seen, known = checked.observed(backups.name, files, current, known, wrote, self._progress(backups.label))
        await state.write(known)
        return [*seen, *trouble]

    async def release(self, context: ProbeContext, label: str) -> None:
        """The set is no longer monitored: nothing of it is read on."""
        self._waiting.discard(label)
        self._began_s.pop(label, None)
        if self._turn is not None and self._turn.label == label:
            turn, self._turn = self._turn, None
            await turn.reader.close(context)

    async def _advance(self, context: ProbeContext, label: str, known: SetChecked, now_s: float) -> SetChecked:
        """Take the result of the set's own file, or grant more time to whatever is read."""
        turn, passed_s = self._turn, context.clock.monotonic_s()
        if turn is None:
            return known
        result = turn.result = turn.result or turn.reader.poll()
        if result is None and passed_s - turn.granted_s >= GRANT_EVERY_S:
            turn.granted_s = passed_s
            turn.reader.grant(GRANT_S)
        if turn.label != label or result is None:
            return known
        self._turn = None
        await turn.reader.close(context)
        file = turn.file
        new = Checked(
            path=file.path, size=file.size_bytes, written_s=file.written_s, at_s=now_s, verdict=result.verdict,
            formats=result.formats, detail=result.detail, digest=result.digest,
        )  # fmt: skip
        return checked.with_result(known, new)

    def _begin(self, context: ProbeContext, label: str, file: Listed | None) -> None:
        """Begin with a file if nothing is read, and no other set has waited longer."""
        (self._waiting.add if file is not None else self._waiting.discard)(label)
        if file is None or self._turn is not None:
            return
        if any(self._began_s.get(each, 0.0) < self._began_s.get(label, 0.0) for each in self._waiting):
            return
        passed_s = context.clock.monotonic_s()
        self._turn = _Turn(label, file, Reader(file.path), passed_s)
        self._began_s[label] = passed_s
        self._waiting.discard(label)
        self._turn.reader.grant(GRANT_S)

    def _progress(self, label: str) -> str:
        """What is read of this set now, in words."""
        turn = self._turn
        if turn is None or turn.label != label:
            return ""
        done = f": {format_size(turn.reader.read)} of {format_size(turn.reader.of)}" if turn.reader.read else ""
        return clip(f"{os.path.basename(turn.file.path)}{done}")  # noqa: PTH119  as in snapshot_files.py

    async def _wrote(self, backups: BackupSet, span: tuple[float, float] | None) -> Wrote | None:
        """What the one guest of the set wrote meanwhile, if that is recorded and enough to show in its backup."""
        if span is None or self._store is None or len(backups.guests) != 1:
            return None
        since, until = (datetime.fromtimestamp(each, UTC) for each in span)
        try:
            samples = await self._store.samples(SeriesKey(f"guest {backups.guests[0]}", "written"), since, until)
        except StoreError:
            return None
        values = [each.value for each in samples if each.value is not None]
        size = sum(max(after - before, 0.0) for before, after in pairwise(values))
        return Wrote(backups.guests[0], size, span[0]) if size >= checked.WROTE_LEAST else None
