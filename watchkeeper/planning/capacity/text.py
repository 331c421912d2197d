"""The sentences of an answer to a capacity question, written once for the terminal and the page. Plain words.

Not here: layout, and any arithmetic.
"""

from collections.abc import Sequence
from typing import assert_never

from watchkeeper.messages.wording import about, clean, duration, joined, share
from watchkeeper.model.units import DAY_S, format_size
from watchkeeper.planning.capacity.answer import (
    DECIDES_D,
    CapacityAnswer,
    CpuAnswer,
    Fit,
    Lack,
    LevelNow,
    MemoryAnswer,
    Reason,
    StoreAnswer,
)
from watchkeeper.planning.capacity.futures import TimeToFull
from watchkeeper.planning.capacity.growth_pattern import LEAST_D
from watchkeeper.planning.capacity.question import Question
from watchkeeper.planning.host_state import StoreKind

FEW_D, MONTH_D, HALF_A_YEAR_D = 3, 30, 182
HORIZON = "10 years"

SAME = "The guest changes nothing here: the store is full at the same time without it."
ESTIMATE = "A forecast is an estimate; its range is part of the answer."
NO_BACKUP = "A snapshot on the same pool is not a backup."
LIKELY_WHY = (
    "The likely time is the median of 2,000 simulated futures. They repeat the recorded cycle and variation and "
    "include the uncertainty of the trend. Trend only: the present trend continues as a straight line."
)


def verdict(answer: CapacityAnswer) -> str:
    """The answer in one sentence or two."""
    why = _where(answer) if answer.fit is Fit.YES else "; ".join(_against(answer))
    return f"{heading(answer)} {_capital(why)}.{f' {SAME}' if changes_nothing(answer) else ''}"


def heading(answer: CapacityAnswer) -> str:
    """The answer without its reasons."""
    asked = what_is_asked(answer.question)
    match answer.fit:
        case Fit.YES:
            return f"Yes: {asked} fits."
        case Fit.NO:
            return f"No: {asked} does not fit."
        case Fit.UNKNOWN:
            return f"Cannot tell whether {asked} fits."
        case _:
            assert_never(answer.fit)


def changes_nothing(answer: CapacityAnswer) -> bool:
    """Is the best store full at the same time without what is asked, as far as the words can tell?"""
    best = answer.stores[0] if answer.stores else None
    if best is None or best.before is None or best.after is None or answer.question.host_disk_bytes:
        return False
    soon = [each.lack for each in best.reasons] == [Lack.SOON]
    return soon and full(best.before) == full(best.after)


def what_is_asked(question: Question) -> str:
    """The question in a few words: `a guest with 32 GiB of disk, 2 GiB of memory and 2 CPUs`."""
    parts = _parts(question)
    if question.enlarges is not None:
        asked = f"{clean(question.enlarges, 44)} with {joined(parts)} more"
    else:
        asked = f"a guest with {joined(parts)}" if parts else "what is there today"
    host = [f"{format_size(question.host_disk_bytes)} of disk"] if question.host_disk_bytes else []
    host += [f"{format_size(question.host_memory_bytes)} of memory"] if question.host_memory_bytes else []
    return f"with {joined(host)} more in the host, {asked}" if host else asked


def _parts(question: Question) -> list[str]:
    parts = []
    if question.disk_bytes:
        parts.append(f"{format_size(question.disk_bytes)} of {'reserved ' if question.reserved else ''}disk")
    if question.memory_bytes:
        parts.append(f"{format_size(question.memory_bytes)} of memory")
    if question.cpus:
        parts.append(f"{question.cpus} {'CPU' if question.cpus == 1 else 'CPUs'}")
    return parts


def _where(answer: CapacityAnswer) -> str:
    """What is in favour of it."""
    said = []
    if answer.stores:
        best = answer.stores[0]
        said.append(f"{clean(best.key.subject, 44)} has space now and in {DECIDES_D} days: {full(best.after)}")
    enough = [name for name, part in (("memory", answer.memory), ("CPUs", answer.cpu)) if part.asked]
    if enough:
        said.append(f"{' and '.join(enough)} {'suffices' if enough == ['memory'] else 'suffice'}")
    return "; ".join(said)


def _against(answer: CapacityAnswer) -> list[str]:
    """What is against it, or not known: for the best store, memory and CPUs."""
    said = [reason(each, answer.stores[0].key.subject) for each in (answer.stores[0].reasons if answer.stores else ())]
    for part in (answer.memory, answer.cpu):
        said += [reason(each, "memory") for each in part.reasons if part.asked]
    return said


def reason(found: Reason, subject: str) -> str:
    """Why it does not fit, with the figure."""
    where, short = clean(subject, 44), format_size(found.short)
    match found.lack:
        case Lack.NOW:
            return f"{where} is {short} short now"
        case Lack.SOON:
            return f"{where} may be full {_within(found.within_d)}; it must last {DECIDES_D} days"
        case Lack.METADATA_SOON:
            return f"the metadata of {where} may be full {_within(found.within_d)}; it must last {DECIDES_D} days"
        case Lack.PROMISED:
            return f"allocations on {where} would be {short} above the limit of {share(found.limit_share)}"
        case Lack.RECORD:
            return f"{where} has space now; {_too_short(found.recorded_d)}"
        case Lack.MEMORY_PROMISED:
            return f"guests would be allocated {short} more memory than the host can give"
        case Lack.MEMORY_IN_USE:
            return f"at the recorded peak of use the host would lack {short} of memory"
        case Lack.GUESTS_UNKNOWN:
            return "the memory of some guests is not known; give watchkeeper access to their monitors"
        case Lack.CPUS:
            return f"the guest would have more CPUs than the host (by {found.short:g}), which gains nothing"
        case _:
            assert_never(found.lack)


def _within(days: float) -> str:
    """An early end, in complete days: it appears beside the day that decides."""
    return "now" if days <= 0 else f"in {int(days)} days" if days >= FEW_D else f"in {about(days * DAY_S)}"


def _about(days: float) -> str:
    """An estimated time, in days for half a year: it is read beside 30 and 90 days."""
    return f"about {round(days / 5) * 5} days" if MONTH_D <= days < HALF_A_YEAR_D else about(days * DAY_S)


def _too_short(recorded_d: float) -> str:
    """What is missing before a forecast is possible."""
    needs = f"a forecast needs {duration(LEAST_D * DAY_S)} of history"
    if recorded_d < LEAST_D:
        return f"{needs} (so far: {duration(recorded_d * DAY_S) if recorded_d > 0 else 'none'})"
    return f"{needs} without long gaps"


def full(found: TimeToFull | None) -> str:
    """When a store is full: `full in about 8 months (6 to 11 months)`."""
    if found is None:
        return "time to full not known"
    if found.earliest_d is None:
        return f"not full within {HORIZON}"
    early = _about(found.earliest_d) if found.earliest_d > 0 else "now"
    if found.likely_d is None:
        return f"probably not full within {HORIZON}, at the earliest {'now' if early == 'now' else f'in {early}'}"
    if found.likely_d <= 0:
        return "full immediately"
    likely, late = _about(found.likely_d), f"over {HORIZON}"
    if found.latest_d is not None:
        late = _about(found.latest_d)
    return f"full in {likely}" + ("" if early == likely == late else f" ({_between(early, late)})")


def _between(early: str, late: str) -> str:
    first, last = early.removeprefix("about "), late.removeprefix("about ")
    count, _, unit = first.partition(" ")
    return f"{count if count.isdecimal() and unit == last.partition(' ')[2] else first} to {last}"


def straight(found: TimeToFull) -> str:
    """The straight line's answer."""
    if found.straight_d is None:
        return f"not within {HORIZON}"
    return "now" if found.straight_d <= 0 else f"in {_about(found.straight_d)}"


def never(found: TimeToFull) -> str:
    """The share of simulated futures that never fill; empty if all do."""
    return (
        f"not full within {HORIZON} in {share(found.never_share)} of the simulated futures" if found.never_share else ""
    )


def fits_on_day(at: LevelNow) -> str:
    """Whether it fits on a day: `yes, 640 GiB`, `no, 12 GiB short`, `no, full long before`, `not known`."""
    if at.fit is Fit.UNKNOWN or at.level_bytes is None:
        return at.fit.value
    if at.short_bytes > at.level_bytes / 2:
        # More than the whole store would be missing: a line drawn that far is no figure.
        return "no, full long before"
    return f"no, {format_size(at.short_bytes)} short" if at.short_bytes else f"{at.fit.value}, {_up_to(at)}"


def _up_to(at: LevelNow) -> str:
    level, high = format_size(at.level_bytes or 0.0), format_size(at.high_bytes or 0.0)
    return level if level == high else f"{level}, up to {high}"


def day_name(day: int) -> str:
    """`now`, `in 30 days`."""
    return "now" if day == 0 else f"in {day} days"


def days_name(days: Sequence[int]) -> str:
    """Several days with the same answer: `in 30, 90 and 365 days`."""
    return day_name(days[0]) if len(days) == 1 else f"in {joined([str(each) for each in days])} days"


def overcommit(store: StoreAnswer) -> str:
    """What is allocated, before and after."""
    before, after = share(store.overcommit_before_share), share(store.overcommit_share)
    return f"{format_size(store.promised_bytes)} of {format_size(store.capacity_bytes)}: {after} (before: {before})"


def growth(store: StoreAnswer) -> str:
    """The present growth."""
    pace = store.growth_bytes_per_day
    if pace is None:
        return _too_short(store.recorded_d)
    verb = "growing" if pace > 0 else "shrinking"
    lately = f" over the last {duration(store.trend_d * DAY_S)}" if store.trend_d else ""
    return f"{verb} {format_size(abs(pace))} a day{lately} (history: {duration(store.recorded_d * DAY_S)})"


def largest(store: StoreAnswer) -> str:
    """The largest disk that would fit, with the criterion."""
    kept = f"{format_size(store.largest_kept_bytes)} if the store must hold every allocation in full"
    if store.largest_bytes is None:
        return f"{kept}; by forecast: cannot tell yet"
    return (
        f"{format_size(store.largest_bytes)} if it is filled at once and the store must last {DECIDES_D} days; {kept}"
    )


def memory(found: MemoryAnswer) -> list[str]:
    """What is allocated to guests, what the host needs itself, and the largest amount that fits."""
    before, after = share(found.overcommit_before_share), share(found.overcommit_share)
    promised, total = format_size(found.promised_bytes), format_size(found.total_bytes)
    peak = f"in {duration(found.recorded_d * DAY_S)}" if found.recorded_d else "now (no history yet)"
    lines = [
        f"allocated {promised} of {total}: {after} (before: {before})",
        f"the host itself needs {format_size(found.own_bytes)}; peak use {format_size(found.peak_bytes)} {peak}",
        f"largest that fits: {format_size(found.largest_bytes)}",
    ]
    return lines + _unknown(found.unknown, "memory")


def cpus(found: CpuAnswer) -> list[str]:
    """What is allocated to guests of the CPUs."""
    ratio = f"{found.overcommit_share:.3g} for each (before: {found.overcommit_before_share:.3g})"
    return [f"{found.vcpus} vCPUs on {found.cpus} CPUs of the host: {ratio}", *_unknown(found.unknown, "CPUs")]


def _unknown(names: tuple[str, ...], what: str) -> list[str]:
    return [f"{what} not known for {', '.join(clean(each, 44) for each in names[:5])}"] if names else []


def cautions(answer: CapacityAnswer) -> list[str]:
    """What an operator must know beside the answer."""
    said = [ESTIMATE] if any(each.after for each in answer.stores) else []
    for store in answer.stores[:1]:
        said += _of_store(answer.question, store)
    return said


def _of_store(question: Question, store: StoreAnswer) -> list[str]:
    """Cautions about the store that the answer is about."""
    said = []
    short = store.written[0].short_bytes
    if short > 0:
        said.append(
            f"If every disk on {clean(store.key.subject, 44)} were full, {format_size(short)} would be missing. "
            "A full pool stops every guest on it."
        )
    if question.disk_bytes and not question.reserved and not question.written_bytes + question.grows_bytes_per_day:
        said.append("The growth of the disk is not stated, so the forecast does not include it.")
    if store.unbounded:
        said.append(
            "1 volume has no limit but the store: it is not part of the allocation."
            if store.unbounded == 1
            else f"{store.unbounded} volumes have no limit but the store: they are not part of the allocation."
        )
    if question.reserved and store.kind is StoreKind.ZFS:
        said.append(
            "A snapshot of a reserved volume needs free space for everything that the volume holds at that time."
        )
    if store.held_by_snapshots or question.reserved:
        said.append(f"Snapshots keep overwritten data; that comes on top of the allocation. {NO_BACKUP}")
    if question.host_disk_bytes:
        said.append(
            "Give the usable bytes of the new disk: a mirror of two gives one, and ZFS keeps a part for itself."
        )
    return said


def sentence(text: str) -> str:
    """A clause as a sentence of its own."""
    return f"{_capital(text)}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
