"""`capacity` says whether a guest fits, from a real database, for a host whose answer can be computed by hand."""

import json
from dataclasses import replace
from datetime import timedelta
from importlib import import_module
from pathlib import Path

import pytest
from rich.cells import cell_len

from tests.cli.conftest import Run, fill
from tests.planning.houses import GIB, HOUSE, POOL, TIB
from tests.support.readstore import NOW as RECORDED
from tests.support.readstore import ReadStoreDouble
from watchkeeper.model.observation import Level
from watchkeeper.model.records import Commit, Seen
from watchkeeper.planning.host_state import HostNow

HUB = ("--disk", "32GiB", "--memory", "2GiB", "--cpus", "2", "--store", "pool skerry")


@pytest.fixture(autouse=True)
def house(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the look at the host see the house of the tests of planning, at the moment of the record."""

    async def look(*_: object) -> HostNow:
        return replace(HOUSE, at=RECORDED, unseen=("LVM cannot be seen; start the helper",))

    monkeypatch.setattr(import_module("watchkeeper.cli.commands.planning.capacity"), "look", look)


@pytest.fixture
def recorded(config: Path) -> None:
    """40 days of the pool at 3 GiB a day, up to 600 GiB of 1 TiB."""
    seen = tuple(
        Seen(RECORDED - timedelta(hours=hour), Level(POOL.key, (600 - hour / 8) * GIB, TIB), "skerry", 3600.0)
        for hour in range(40 * 24, -1, -1)
    )
    fill(config.with_name("watchkeeper.db"), ReadStoreDouble(), [Commit(seen=seen)])


@pytest.mark.usefixtures("recorded")
def test_the_answer_comes_first(run: Run) -> None:
    """424 GiB last for 141 days at 3 GiB a day, and 90 even if the pace rises: it fits, and the figures are below."""
    result = run("capacity", *HUB)
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0].startswith("gannet, Wed 25 Nov")
    said = " ".join(result.stdout.split())
    assert "Yes: a guest with 32 GiB of disk, 2 GiB of memory and 2 CPUs fits. Pool skerry has space now" in said
    assert "pool skerry: yes, 600 GiB of 1 TiB used" in lines
    assert "every disk full: no, 29 GiB short" in said
    assert "before full in about 140 days" in said
    assert "trend only: in about 140 days" in said
    assert "allocated 996 GiB of 1 TiB: 97 % (before: 94 %)" in said
    assert "LVM cannot be seen; start the helper" in said
    assert "A forecast is an estimate; its range is part of the answer." in said


@pytest.mark.usefixtures("recorded")
@pytest.mark.parametrize("columns", ["40", "80", "200"])
def test_every_line_fits_the_terminal(run: Run, monkeypatch: pytest.MonkeyPatch, columns: str) -> None:
    """No line is wider than the terminal, none ends in spaces, and no escape sequence is in a pipe."""
    monkeypatch.setenv("COLUMNS", columns)
    for line in run("capacity", *HUB).stdout.splitlines():
        assert cell_len(line) <= int(columns)
        assert line == line.rstrip()
        assert "\x1b" not in line


@pytest.mark.usefixtures("recorded")
def test_a_no_is_exit_code_1_with_its_reasons(run: Run) -> None:
    """200 GiB at once leave 224, which last for 75 days."""
    result = run(
        "capacity", "--disk", "210GiB", "--written", "200GiB", "--store", "skerry", "--memory", "9GiB", "--cpus", "5"
    )
    said = " ".join(result.stdout.split())
    assert result.exit_code == 1
    assert (
        "No: a guest with 210 GiB of disk, 9 GiB of memory and 5 CPUs does not fit. Pool skerry may be full in" in said
    )
    assert said.count("why not") == 3


@pytest.mark.usefixtures("recorded")
def test_a_growth_that_is_stated_counts(run: Run) -> None:
    """7 GiB a week fill its 32 GiB within 32 days: 131 days instead of 141, as the straight line has it."""
    found = json.loads(run("capacity", *HUB, "--grows", "7GiB/week", "--json").stdout)
    assert found["question"]["growth_bytes_per_day"] == GIB
    assert found["stores"][0]["time_to_full_after"]["linear_days"] == pytest.approx(131, rel=0.01)


@pytest.mark.usefixtures("recorded")
def test_the_object_holds_what_the_answer_is_based_on(run: Run) -> None:
    """Figures in bytes and days, sentences beside them."""
    result = run("capacity", "--enlarge", "hide-hub", "--disk", "+480GiB", "--reserved", "--json")
    found = json.loads(result.stdout)
    assert (found["host"], found["fits"], result.exit_code) == ("gannet", "no", 1)
    (pool,) = found["stores"]
    assert pool["reasons"] == [{"reason": "no space now", "text": "pool skerry is 71 GiB short now"}]
    assert pool["levels_at_current_growth"][0]["shortfall_bytes"] == 71 * GIB
    assert (found["memory"]["allocated_bytes"], found["cpus"]["vcpus"]) == (9 * GIB, 7)
    assert found["not_seen"] == ["LVM cannot be seen; start the helper"]


def test_without_a_record_it_is_not_known(run: Run, config: Path) -> None:
    """There is room now, and the answer says what is missing; nothing is made up."""
    fill(config.with_name("watchkeeper.db"), ReadStoreDouble())
    result = run("capacity", *HUB)
    said = " ".join(result.stdout.split())
    assert result.exit_code == 1
    assert "Cannot tell whether" in said
    assert "a forecast needs 7 days of history (so far: none)" in said
    found = json.loads(run("capacity", *HUB, "--json").stdout)
    assert (found["fits"], found["stores"][0]["time_to_full_after"]) == ("not known", None)


@pytest.mark.usefixtures("recorded")
def test_the_host_may_be_given_more(run: Run) -> None:
    """A disk and memory; nothing is asked for a guest."""
    result = run("capacity", "--host-disk", "1TiB", "--host-memory", "16GiB", "--store", "skerry")
    said = " ".join(result.stdout.split())
    assert result.exit_code == 0
    assert "with 1 TiB of disk and 16 GiB of memory more in the host, what is there today fits" in said
    assert "after full in about 16 months" in said


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ((), "nothing is asked"),
        (("--disk", "32"), None),
        (("--disk", "0GiB"), "not larger than 0"),
        (("--disk", "many"), "'many' is not a size"),
        (("--cpus", "0"), "'0' is not a count"),
        (("--cpus", "two"), "'two' is not a count"),
        (("--disk", "+16GiB"), "without it, write sizes without a plus"),
        (("--enlarge", "hide-hub", "--disk", "48GiB"), "write the size to add with a plus"),
        (("--disk", "32GiB", "--grows", "1GiB"), "'1GiB' is not a growth"),
        (("--disk", "32GiB", "--grows", "much/day"), "'much' is not a size"),
        (("--disk", "32GiB", "--store", "skery"), "there is"),
    ],
)
@pytest.mark.usefixtures("recorded")
def test_wrong_use_says_what_is_right(run: Run, options: tuple[str, ...], says: str | None) -> None:
    """Exit code 2, the word that is wrong and what may stand there; a bare number of bytes is a size."""
    result = run("capacity", *options)
    if says is None:
        assert result.exit_code == 0
        assert "Yes: a guest with 32 B of disk fits." in result.stdout
    else:
        assert result.exit_code == 64
        assert says in " ".join(result.stderr.split())


def test_no_database_is_exit_code_66(run: Run) -> None:
    """And it says where it was looked for."""
    result = run("capacity", *HUB)
    assert result.exit_code == 66
    assert "there is no database at" in result.stderr
