"""Shows the answer to a capacity question in the terminal: the answer first, then what it depends on."""

from collections.abc import Iterator
from datetime import tzinfo

from watchkeeper.cli import output
from watchkeeper.messages.wording import clean, instant
from watchkeeper.model.units import format_size
from watchkeeper.planning.capacity import text as wording
from watchkeeper.planning.capacity.answer import CapacityAnswer, Reason, StoreAnswer

MOST_LEFT = 20


def show(answer: CapacityAnswer, host: str, zone: tzinfo) -> None:
    """Print the answer."""
    output.heading(f"{host}, {instant(answer.at, zone, answer.at)}")
    output.paragraph(wording.verdict(answer))
    for store in answer.stores:
        _part(_title(store), _store_rows(store))
    if answer.memory.asked:
        _part("memory", [("allocated", wording.memory(answer.memory)), *_reasons(answer.memory.reasons, "memory")])
    if answer.cpu.asked:
        _part("CPUs", [("shared", wording.cpus(answer.cpu)), *_reasons(answer.cpu.reasons, "CPUs")])
    if answer.unseen:
        _part("Not checked", [("", [clean(each, 400) for each in answer.unseen])])
    said = wording.cautions(answer)
    if any(each.after for each in answer.stores):
        said = [*said, wording.LIKELY_WHY]
    if said:
        output.blank()
        output.paragraph(" ".join(said))


def _part(title: str, rows: list[output.Row]) -> None:
    output.blank()
    output.heading(title)
    output.rows(rows, MOST_LEFT)


def _title(store: StoreAnswer) -> str:
    free = f"{format_size(store.used_bytes)} of {format_size(store.capacity_bytes)} used"
    return f"{clean(store.key.subject, 44)}: {store.fit.value}, {free}"


def _store_rows(store: StoreAnswer) -> list[output.Row]:
    return [
        *_reasons(store.reasons, store.key.subject),
        *_days(store),
        *_times(store),
        ("growth", [wording.growth(store)]),
        ("allocated", [wording.overcommit(store)]),
        ("largest disk", [wording.largest(store)]),
    ]


def _reasons(reasons: tuple[Reason, ...], subject: str) -> list[output.Row]:
    return [("why not", [wording.reason(each, subject) for each in reasons])] if reasons else []


def _days(store: StoreAnswer) -> Iterator[output.Row]:
    for growing, written in zip(store.growing, store.written, strict=True):
        fits, full = wording.fits_on_day(growing), wording.fits_on_day(written)
        yield wording.day_name(growing.day), [f"at present growth: {fits}", f"every disk full: {full}"]


def _times(store: StoreAnswer) -> Iterator[output.Row]:
    for name, found in (("before", store.before), ("after", store.after)):
        if found is not None:
            lines = [wording.full(found), f"trend only: {wording.straight(found)}", wording.never(found)]
            yield name, [line for line in lines if line]
