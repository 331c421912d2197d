"""What is known of a set's newest files: which is to be read next, and the conditions that follow. Pure.

A set may hold several series: files whose paths differ in digits alone, such as those of one guest's two disks. Not
here: reading (reader.py), and whose turn it is (verifier.py).
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from pydantic import BaseModel, ConfigDict, Field

from watchkeeper.model.observation import Condition, Facts, Observed, SeriesKey, Unseen
from watchkeeper.model.units import DAY_S, MINUTE_S, WEEK_S, format_size
from watchkeeper.planning.copy_sizes import EARLIER_FILES, CopyFile, stub
from watchkeeper.probes.base import Listed
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import StateModel
from watchkeeper.probes.verification.outcomes import Verdict

SETTLED_S = 15 * MINUTE_S
"""A file that was written to more recently may still be being written."""

AGAIN_S, RETRY_S, CHANGED_S = WEEK_S, DAY_S, 3600.0
"""A file is read again after a week; sooner if it could not be read to its end, or changed meanwhile."""

SERIES_LIMIT = 20
"""Series of one set whose newest file is read. More are named as not read."""

WROTE_LEAST = 64 * 2**20
"""A guest that wrote less may have written nothing that its backup has: times and logs of its start."""


class Checked(BaseModel):
    """A file that was read. Times in seconds since 1970.

    digest: of all its bytes; empty if it was not read to its end. same_since_s: when the first file with these bytes
    was written, if the one before had the same; 0 otherwise. tried_s: when a newer one changed while it was read.
    """

    model_config = ConfigDict(frozen=True)

    path: str
    size: int
    written_s: float
    at_s: float
    verdict: Verdict
    formats: tuple[str, ...] = ()
    detail: str = ""
    digest: str = ""
    same_since_s: float = 0.0
    tried_s: float = 0.0

    @property
    def name(self) -> str:
        """The name of the file, without its folder."""
        return _name(self.path)

    @property
    def day(self) -> str:
        """The day on which it was read, in UTC."""
        return _day(self.at_s)

    @property
    def words(self) -> str:
        """`whole (gzip, tar)`, `damaged: gzip: unexpected end of file at 3.1 GiB`, `cannot tell: it is encrypted`."""
        if self.verdict is Verdict.WHOLE:
            return f"whole ({', '.join(self.formats)}{'; ' if self.detail else ''}{self.detail})"
        return f"{self.verdict}: {self.detail}" if self.detail else str(self.verdict)


class SetChecked(StateModel):
    """The last file that was read of each series. content, plausible: whether that condition was ever reported."""

    series: Mapping[str, Checked] = Field(default_factory=dict)
    content: bool = False
    plausible: bool = False


@dataclass(frozen=True, slots=True)
class Wrote:
    """A guest that wrote at least so many bytes between two times (seconds since 1970)."""

    guest: str
    size_bytes: float
    since_s: float


def series_of(path: str) -> str:
    """The series that a file belongs to."""
    return re.sub(r"\d+", "0", path)


def newest(files: Sequence[Listed], now_s: float, max_age_s: float) -> dict[str, Listed]:
    """The newest file of each series that is not being written to. A series that has ended long before others is left.

    What is newest in the set comes first.
    """
    found: dict[str, Listed] = {}
    settled = [each for each in files if now_s - max(_at(each, now_s), min(each.changed_s, now_s)) >= SETTLED_S]
    for each in sorted(settled, key=lambda each: _at(each, now_s), reverse=True):
        found.setdefault(series_of(each.path), each)
    latest_s = max((_at(each, now_s) for each in found.values()), default=0.0)
    return {name: each for name, each in found.items() if _at(each, now_s) >= latest_s - max_age_s}


def _at(file: Listed, now_s: float) -> float:
    """When it was written; the change of its inode if that is in the future."""
    return file.written_s if file.written_s <= now_s else min(file.changed_s, now_s)


def due(current: Mapping[str, Listed], known: SetChecked, now_s: float) -> Listed | None:
    """The file to read next: one that was never read, then the one that was read longest ago."""
    waiting = [
        (before.at_s if before else 0.0, file)
        for name, file in list(current.items())[:SERIES_LIMIT]
        for before in [known.series.get(name)]
        if before is None or now_s >= _next_s(before, file)
    ]
    return min(waiting, key=lambda each: each[0])[1] if waiting else None


def _next_s(before: Checked, file: Listed) -> float:
    """When it may be read again."""
    if before.tried_s:
        return before.tried_s + CHANGED_S
    if (before.path, before.size, before.written_s) != (file.path, file.size_bytes, file.written_s):
        return 0.0
    return before.at_s + (AGAIN_S if before.digest or before.verdict is Verdict.DAMAGED else RETRY_S)


def with_result(known: SetChecked, new: Checked) -> SetChecked:
    """The state with a file that was read. What is known of an earlier one stays if this one changed meanwhile."""
    name = series_of(new.path)
    before = known.series.get(name)
    if new.verdict is Verdict.CHANGED:
        new = (before or new).model_copy(update={"tried_s": new.at_s})
        return known.model_copy(update={"series": {**known.series, name: new}})
    same = before is not None and new.digest and new.digest == before.digest
    if before is not None and same:
        again = (before.path, before.written_s) == (new.path, new.written_s)
        since_s = before.same_since_s or (0.0 if again else before.written_s)
        new = new.model_copy(update={"same_since_s": since_s})
    return known.model_copy(update={"series": {**known.series, name: new}})


def current_only(known: SetChecked, files: Sequence[Listed]) -> SetChecked:
    """Without series of which no file is left."""
    names = {series_of(each.path) for each in files}
    return known.model_copy(update={"series": {name: each for name, each in known.series.items() if name in names}})


def unchanged(known: SetChecked, current: Mapping[str, Listed]) -> tuple[float, float] | None:
    """Between which times every file of the set kept its content over at least two copies; None if one did not."""
    read = [known.series.get(name) for name in current]
    if not read or any(each is None or not each.same_since_s for each in read):
        return None
    since_s = max(each.same_since_s for each in read if each is not None)
    until_s = min(each.written_s for each in read if each is not None)
    return (since_s, until_s) if until_s > since_s else None


def observed(
    name: str,
    files: Sequence[Listed],
    current: Mapping[str, Listed],
    known: SetChecked,
    wrote: Wrote | None,
    reading: str = "",
) -> tuple[list[Observed], SetChecked]:
    """The conditions of a set, and the state that remembers which were reported. reading: what is read now."""
    subject = f"snapshots of {name}"
    read = [known.series[each] for each in current if each in known.series]
    damaged = [each for each in read if each.verdict is Verdict.DAMAGED]
    seen: list[Observed] = []
    content = known.content or any(each.verdict in (Verdict.WHOLE, Verdict.DAMAGED) for each in read)
    if content:
        reason = "; ".join(f"{_name(each.path)} is {each.words}" for each in damaged)
        facts = _facts(current, known, reading)
        seen.append(Condition(SeriesKey(subject, "content"), not reason, reason, facts=facts))
    small = _small(files, current)
    judged = known.plausible or wrote is not None or any(len(each) > EARLIER_FILES for each in _series(files).values())
    if judged:
        reasons = [*small, *_same(read, wrote)]
        seen.append(Condition(SeriesKey(subject, "plausibility"), not reasons, "; ".join(reasons)))
    seen += _unseen(subject, current, known)
    return seen, known.model_copy(update={"content": content, "plausible": judged})


def _facts(current: Mapping[str, Listed], known: SetChecked, reading: str) -> Facts:
    """The last file that was read of each series, a newer one that was not, and the one that is read now."""
    facts = list[tuple[str, str]]()
    for name, file in current.items():
        read = known.series.get(name)
        if read is not None:
            facts.append((f"checked {_day(read.at_s)}", clip(f"{_name(read.path)}: {read.words}")))
            facts += [("not read yet", _name(file.path))] if file.path != read.path else []
    return (*facts, *((("reading", reading),) if reading else ()))


def _unseen(subject: str, current: Mapping[str, Listed], known: SetChecked) -> Iterator[Unseen]:
    """What is not known of the newest files, each once."""
    for number, (name, file) in enumerate(current.items()):
        read = known.series.get(name)
        what = f"{subject}: content of {_name(file.path)}"
        if read is None:
            why = "not read yet" if number < SERIES_LIMIT else f"only {SERIES_LIMIT} files of a set are read"
            yield Unseen(what, why)
        elif read.verdict in (Verdict.UNKNOWN, Verdict.CHANGED):
            yield Unseen(what, read.detail or str(read.verdict))


def _series(files: Sequence[Listed]) -> dict[str, list[Listed]]:
    found: dict[str, list[Listed]] = {}
    for each in files:
        found.setdefault(series_of(each.path), []).append(each)
    return found


def _small(files: Sequence[Listed], current: Mapping[str, Listed]) -> Iterator[str]:
    """Newest files that are far smaller than all before them."""
    for name, listed in _series(files).items():
        if name not in current:
            continue
        last = current[name]
        before = [each for each in listed if each.written_s <= last.written_s]
        if found := stub([CopyFile(each.path, each.written_s, each.size_bytes) for each in before]):
            sizes = f"{format_size(found[0].size_bytes)}, the one before {format_size(found[1].size_bytes)}"
            yield f"{_name(last.path)} is far smaller than all before it ({sizes})"


def _same(read: Sequence[Checked], wrote: Wrote | None) -> Iterator[str]:
    if wrote is not None:
        names = " and ".join(_name(each.path) for each in read[:2])
        written = f"guest {printable(wrote.guest)} wrote {format_size(wrote.size_bytes)}"
        yield f"the content of {names} is the same as on {_day(wrote.since_s)}, while {written}"


def _name(path: str) -> str:
    return printable(path.rpartition("/")[2])


def _day(at_s: float) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d}"
