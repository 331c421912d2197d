"""What to look at, for each concern."""

import shlex

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.manual.runbook import first_step, runbook
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import Answer, Level, SeriesKey


@pytest.mark.parametrize(
    ("concern", "subject", "quantity", "names"),
    [
        (Concern.FULL, "file system /srv", "space", "`du -x --max-depth=1 /srv | sort -n`"),
        (Concern.FULL, "file system /srv", "inodes", "`du -x --inodes --max-depth=1 /srv | sort -n`"),
        (Concern.FULL, "file system /srv/nest cams", "space", "'/srv/nest cams'"),
        (Concern.FULL, "file system /srv", "metadata", "Metadata"),
        (Concern.FULL, "pool skerry", "space", "`watchkeeper reclaim`"),
        (Concern.FULL, "memory", "used", "the kernel kills a process"),
        (Concern.FULL, "memory", "swap", "more memory than the host has"),
        (Concern.FULL, "drive 0", "endurance", "replacement"),
        (Concern.FULL, "tide-log", "rows", "grown"),
        (Concern.OVERDUE, "service hide-hub", "certificate", "renewal"),
        (Concern.OVERDUE, "pool skerry", "scrub", "Start a scrub by hand"),
        (Concern.OVERDUE, "job tide-log", "report", "the job's own machine"),
        (Concern.OVERDUE, "snapshots of skerry", "newest", "list-timers"),
        (Concern.FAULTY, "snapshots of skerry", "oldest", "Remove it"),
        (Concern.FAULTY, "memory", "kernel kills", "`ps -eo rss,comm --sort=-rss | head`"),
        (Concern.FAULTY, "pool skerry", "allocation", "what is allocated to them"),
        (Concern.FAULTY, "file system /srv", "writable", "`journalctl -k -n 50`"),
        (Concern.FAULTY, "probe skerry", "runs", "`watchkeeper probe`"),
        (Concern.FAULTY, "unit tide-log.service", "state", "`systemctl status tide-log.service`"),
        (Concern.FAULTY, "guest nest-cams", "state", "I/O error"),
        (Concern.FAULTY, "pool skerry", "health", "disks"),
        (Concern.FAULTY, "clock", "sync", "the reason"),
        (Concern.NOT_REPORTING, "pool skerry", "space", "hung mount"),
    ],
)
def test_advice_is_concrete(concern: Concern, subject: str, quantity: str, names: str) -> None:
    """Each concern of each kind of subject gets advice that names something to look at."""
    assert names in first_step(concern, SeriesKey(subject, quantity), None)


def test_a_wrong_answer_is_not_a_missing_answer() -> None:
    """The first step for a wrong answer is the service's log, for a missing one what it runs on."""
    key = SeriesKey("service hide-hub", "answer")
    wrong = first_step(Concern.NOT_ANSWERING, key, Answer(key, answered=False, reason="status 502", took_s=0.1))
    silent = first_step(Concern.NOT_ANSWERING, key, Answer(key, answered=False, reason="refused"))
    assert wrong.startswith("It answers, but")
    assert "the machine that it runs on is up" in silent
    assert "guest" not in silent


def test_snapshots_are_named_where_there_can_be_some() -> None:
    """On btrfs, and not on ext4."""
    key = SeriesKey("file system /srv", "space")
    said = {
        each: first_step(Concern.FULL, key, Level(key, 1, 2, facts=(("type", each),))) for each in ("ext4", "btrfs")
    }
    assert "snapshots" not in said["ext4"]
    assert said["btrfs"] == f"{said['ext4']} {runbook().snapshots}"


@given(st.text(min_size=1))
def test_commands_are_safe_to_paste(path: str) -> None:
    """Whatever a mount point is called, the command in the advice names it as one word, or does not name it."""
    said = first_step(Concern.FULL, SeriesKey(f"file system {path}", "space"), None)
    command = said.partition("`")[2].rpartition("` shows")[0]
    words = shlex.split(command)
    assert words[:3] == ["du", "-x", "--max-depth=1"]
    assert words[3] in {path, "."}
    assert command.isprintable()


@pytest.mark.parametrize(
    "key",
    [
        SeriesKey("pool skerry", "space"), SeriesKey("file system /srv", "space"), SeriesKey("btrfs /srv", "data"),
        SeriesKey("thin pool vg0/guests", "data"), SeriesKey("thin pool vg0/guests", "metadata"),
        SeriesKey("file system /srv", "inodes"), SeriesKey("dataset skerry/guests", "quota"),
        SeriesKey("guest hide-hub", "space on /srv"), SeriesKey("memory", "in use"), SeriesKey("memory", "swap"),
        SeriesKey("tide-log", "rows"),
    ],
    ids=str,
)  # fmt: skip
def test_nothing_left_has_a_first_step_of_its_own(key: SeriesKey) -> None:
    """What is urgent then; with the name of the thing."""
    some, none = (first_step(Concern.FULL, key, Level(key, used, 100.0)) for used in (99.0, 100.0))
    assert some != none
    assert none == runbook().find(Concern.FULL, key).named(none, key)
    assert " now" in none
    assert first_step(Concern.FULL, key, None) == some


def test_what_has_no_step_of_its_own_keeps_the_usual_one() -> None:
    """An entry without that part says the same."""
    key = SeriesKey("drive 0", "endurance")
    assert first_step(Concern.FULL, key, Level(key, 100.0, 100.0)) == first_step(Concern.FULL, key, None)
