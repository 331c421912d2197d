"""What follows from files that were read, over a scripted year of ordinary rotation, and from each kind of fault."""

import random
from collections.abc import Sequence

from watchkeeper.model.observation import Condition, Observed, Unseen
from watchkeeper.probes.base import Listed
from watchkeeper.probes.verification import checked
from watchkeeper.probes.verification.checked import Checked, SetChecked, Wrote
from watchkeeper.probes.verification.outcomes import Verdict

DAY_S, HOUR_S = 86_400.0, 3_600.0
NOW_S = 1_800_000_000.0


def listed(path: str, age_s: float = HOUR_S, size: int = 1000) -> Listed:
    """A file written so long before NOW."""
    return Listed(path, NOW_S - age_s, NOW_S - age_s, size)


def read(file: Listed, verdict: Verdict = Verdict.WHOLE, at_s: float = NOW_S, **more: object) -> Checked:
    """The result for a file."""
    given = {"formats": ("gzip",), "digest": file.path, **more}
    return Checked.model_validate(
        {"path": file.path, "size": file.size_bytes, "written_s": file.written_s, "at_s": at_s, "verdict": verdict}
        | given
    )


def look(
    files: Sequence[Listed], known: SetChecked, now_s: float = NOW_S, wrote: Wrote | None = None, reading: str = ""
) -> tuple[dict[str, Condition], list[Unseen], SetChecked]:
    """The conditions by their quantity, what is unseen, and the state after it."""
    current = checked.newest(files, now_s, 2 * DAY_S)
    seen: list[Observed]
    seen, after = checked.observed("hide-hub", files, current, checked.current_only(known, files), wrote, reading)
    conditions = {each.key.quantity: each for each in seen if isinstance(each, Condition)}
    return conditions, [each for each in seen if isinstance(each, Unseen)], after


def test_the_newest_file_of_each_series_is_read() -> None:
    """Not one that is being written, nor a series that ended long ago; the longest waiting first, each once a week."""
    root, data = listed("/b/hub-2.gz", HOUR_S), listed("/b/data-2.gz", 2 * HOUR_S)
    files = [listed("/b/hub-1.gz", DAY_S), root, data, listed("/b/hub-3.gz", 60), listed("/b/old-1.gz", 9 * DAY_S)]
    current = checked.newest(files, NOW_S, 2 * DAY_S)
    assert list(current.values()) == [root, data]
    known = SetChecked()
    assert checked.due(current, known, NOW_S) == root
    known = checked.with_result(known, read(root, at_s=NOW_S))
    assert checked.due(current, known, NOW_S) == data
    known = checked.with_result(known, read(data, at_s=NOW_S + 1))
    assert checked.due(current, known, NOW_S + 6 * DAY_S) is None
    assert checked.due(current, known, NOW_S + 7 * DAY_S + 2) == root
    assert checked.due({"/b/hub-0.gz": listed("/b/hub-9.gz")}, known, NOW_S) == listed("/b/hub-9.gz")
    assert checked.newest([], NOW_S, DAY_S) == {}


def test_a_file_of_the_future_is_dated_by_its_inode() -> None:
    """It is not the newest until that date."""
    ahead = Listed("/b/hub-1.gz", NOW_S + 9 * DAY_S, NOW_S - 3 * HOUR_S, 1)
    assert list(checked.newest([ahead, listed("/b/hub-2.gz", HOUR_S)], NOW_S, DAY_S).values()) == [
        listed("/b/hub-2.gz", HOUR_S)
    ]


def test_each_result_has_its_words() -> None:
    """A date for what is whole; damage is the condition; what cannot be told is no OK."""
    file = listed("/b/hub-1.gz")
    seen, unseen, _ = look([file], SetChecked())
    assert seen == {}
    assert unseen == [Unseen("snapshots of hide-hub: content of hub-1.gz", "not read yet")]
    known = checked.with_result(SetChecked(), read(file, detail="no checksum"))
    seen, unseen, known = look([file, listed("/b/hub-2.gz", 1000)], known, reading="hub-2.gz")
    assert seen["content"].ok
    assert seen["content"].facts == (
        ("checked 2027-01-15", "hub-1.gz: whole (gzip; no checksum)"),
        ("not read yet", "hub-2.gz"),
        ("reading", "hub-2.gz"),
    )
    assert not unseen
    broken = read(file, Verdict.DAMAGED, detail="gzip: unexpected end of file at 3.1 GiB")
    seen, _, after = look([file], checked.with_result(known, broken))
    assert seen["content"].reason == "hub-1.gz is damaged: gzip: unexpected end of file at 3.1 GiB"
    locked = read(file, Verdict.UNKNOWN, detail="it is encrypted (age)", digest="")
    seen, unseen, _ = look([file], checked.with_result(SetChecked(), locked))
    assert not seen
    assert unseen[0].why == "it is encrypted (age)"
    seen, unseen, _ = look([file], checked.with_result(after, locked))
    assert seen["content"].ok, "a condition that was reported ends"
    assert unseen
    assert checked.due({"/b/hub-0.gz": file}, checked.with_result(after, locked), NOW_S + DAY_S) == file


def test_a_file_that_changed_is_read_again_after_an_hour() -> None:
    """What was known before stays."""
    file = listed("/b/hub.gz")
    known = checked.with_result(SetChecked(), read(file, Verdict.CHANGED, at_s=NOW_S))
    _, unseen, _ = look([file], known)
    assert unseen[0].why == "changed while it was read"
    current = checked.newest([file], NOW_S, DAY_S)
    assert checked.due(current, known, NOW_S + 3_000) is None
    assert checked.due(current, known, NOW_S + 3_700) == file
    known = checked.with_result(checked.with_result(SetChecked(), read(file, at_s=1.0)), read(file, Verdict.CHANGED))
    (last,) = known.series.values()
    assert (last.verdict, last.at_s, last.tried_s) == (Verdict.WHOLE, 1.0, NOW_S)


def test_twenty_series_are_read_and_more_are_named() -> None:
    """So a pattern that is too wide reads no thousand files."""
    files = [listed(f"/b/{chr(97 + n)}.gz", HOUR_S + n) for n in range(22)]
    known = SetChecked()
    for each in files[:20]:
        known = checked.with_result(known, read(each))
    assert checked.due(checked.newest(files, NOW_S, DAY_S), known, NOW_S) is None
    _, unseen, _ = look(files, known)
    assert [each.why for each in unseen] == ["only 20 files of a set are read"] * 2


def test_the_same_content_while_the_guest_wrote() -> None:
    """Every file of the set must be the same as its earlier one, and the guest must have written in between."""
    monday, tuesday = listed("/b/hub-1.img", 2 * DAY_S), listed("/b/hub-2.img", DAY_S)
    known = checked.with_result(SetChecked(), read(monday, Verdict.UNKNOWN, digest="same"))
    current = checked.newest([monday, tuesday], NOW_S, 2 * DAY_S)
    assert checked.unchanged(known, current) is None
    known = checked.with_result(known, read(tuesday, Verdict.UNKNOWN, digest="same"))
    assert checked.unchanged(known, current) == (monday.written_s, tuesday.written_s)
    wrote = Wrote("hide-hub", 3.2e9, monday.written_s)
    seen, _, after = look([monday, tuesday], known, wrote=wrote)
    assert seen["plausibility"].reason == (
        "the content of hub-2.img is the same as on 2027-01-13, while guest hide-hub wrote 2.98 GiB"
    )
    seen, _, _ = look([monday, tuesday], after)
    assert seen["plausibility"].ok
    again = checked.with_result(known, read(tuesday, Verdict.UNKNOWN, digest="same", at_s=NOW_S + 7 * DAY_S))
    assert checked.unchanged(again, current) == (monday.written_s, tuesday.written_s)
    other = checked.with_result(known, read(tuesday, digest="other"))
    assert checked.unchanged(other, current) is None
    once = checked.with_result(SetChecked(), read(tuesday, digest="same"))
    twice = checked.with_result(once, read(tuesday, digest="same", at_s=NOW_S + 7 * DAY_S))
    assert checked.unchanged(twice, current) is None, "the same file, read twice"
    assert checked.unchanged(SetChecked(), {}) is None


def test_a_year_of_ordinary_backups_says_nothing() -> None:
    """Nightly archives that grow, weekly full and daily incremental ones, rotation, months of a guest that is empty."""
    random.seed(23)
    known, faults = SetChecked(), list[str]()
    files: list[Listed] = []
    for day in range(366):
        now_s = NOW_S + day * DAY_S
        at_s = now_s - 3 * HOUR_S
        grown = 8e9 * 1.002**day * random.uniform(0.97, 1.03)
        files.append(Listed(f"/b/hub-{day:03}.img.zst", at_s, at_s, int(grown)))
        if day % 7 == 0:
            files.append(Listed(f"/b/db-{day:03}.full.gz", at_s, at_s, int(3e9 * random.uniform(0.8, 1.2))))
        else:
            files.append(Listed(f"/b/db-{day:03}.inc.gz", at_s, at_s, int(10 ** random.uniform(3, 8))))
        files = [each for each in files if each.written_s > now_s - 30 * DAY_S]
        current = checked.newest(files, now_s, 2 * DAY_S)
        while (due := checked.due(current, known, now_s)) is not None:
            known = checked.with_result(known, read(due, at_s=now_s, digest=f"{due.path}{due.written_s}"))
        assert checked.unchanged(known, current) is None
        seen, _, known = look(files, known, now_s)
        faults += [f"{day}: {each.reason}" for each in seen.values() if not each.ok]
    assert faults == []
    stub = Listed("/b/hub-366.img.zst", NOW_S + 366 * DAY_S - HOUR_S, NOW_S, 20)
    seen, _, known = look([*files, stub], known, NOW_S + 366 * DAY_S)
    assert seen["plausibility"].reason.startswith("hub-366.img.zst is far smaller than all before it (20 B, the one")
    seen, _, _ = look([stub], known, NOW_S + 366 * DAY_S)
    assert seen["plausibility"].ok, "nothing is left to compare with"
