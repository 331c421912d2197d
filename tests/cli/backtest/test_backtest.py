"""`backtest` walks a record, from a file or from the database, and tells what would have been told."""

import asyncio
import json
import os
import pty
import subprocess
import sys
import xml.etree.ElementTree as ET
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from statsmodels.datasets import co2

from tests.cli.conftest import Run
from watchkeeper.cli.backtest.backtest import Every
from watchkeeper.model.observation import Condition, Level, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.store import Store

START = datetime(2026, 1, 1, tzinfo=UTC)
POOL = SeriesKey("pool skerry", "space")
SVG = "{http://www.w3.org/2000/svg}"


def written(path: Path, days: float, rate: float = 20.0, start: float = 300.0) -> Path:
    """A record of growth by `rate` a day into 1000, sampled every hour, until it is full or the days are over."""
    lines = ["time,used,capacity"]
    for hour in range(int(days * 24) + 1):
        used = min(start + rate * hour / 24 + (hour % 3 - 1), 1000)
        lines.append(f"{(START + timedelta(hours=hour)).isoformat()},{used:.1f},1000")
        if used >= 1000:
            break
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    return path


def test_json_has_one_object_for_each_evaluation(run: Run, tmp_path: Path) -> None:
    """Time, priority and the three instants, RFC 3339 in UTC; null where there is none."""
    result = run("backtest", "--json", "--every", "6h", str(written(tmp_path / "skerry.csv", 20)))
    assert result.exit_code == 0
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert len(lines) == 81
    assert lines[0] == {
        "time": "2026-01-01T00:00:00Z",
        "priority": None,
        "full": {"likely": None, "earliest": None, "latest": None},
    }
    assert lines[1]["time"] == "2026-01-01T06:00:00Z"
    likely = datetime.fromisoformat(lines[-1]["full"]["likely"])
    assert abs(likely - (START + timedelta(days=35))) < timedelta(hours=12)
    assert lines[-1]["priority"] == "caution"


def test_people_read_what_was_told_why_and_what_became_of_it(run: Run, tmp_path: Path) -> None:
    """Each alert with the time left then, the growth in words, and what happened later; a sketch below."""
    result = run("backtest", str(written(tmp_path / "skerry.csv", 40)))
    assert result.exit_code == 0
    text = " ".join(result.stdout.split())
    assert "skerry: 840 samples over 35 days" in text
    assert "a caution raised: full in" in text
    assert "a warning, after a caution: full in 7 days" in text
    assert "an alarm, after a warning: full in" in text
    assert "growing 20 B a day since Thu 1 Jan" in text
    assert "later: full after 7 days" in text
    assert "1 alert raised." in text
    marks = next(line for line in result.stdout.splitlines() if "cw" in line)
    assert marks.rstrip().endswith("A")


def test_what_never_fills_raises_nothing(run: Run, tmp_path: Path) -> None:
    """A still level has no alert, and says so."""
    result = run("backtest", str(written(tmp_path / "skerry.csv", 10, rate=0)))
    assert "No alert would have been raised." in result.stdout
    assert "0 alerts raised." in result.stdout


def test_an_alert_that_ends_tells_its_end(run: Run, tmp_path: Path) -> None:
    """After a clean-up the alert ends: the growth goes on as far as is known; hindsight says that it did not fill."""
    path = written(tmp_path / "skerry.csv", 30)
    more = [f"{(START + timedelta(days=30, hours=h)).isoformat()},100,1000" for h in range(1, 200)]
    path.write_text(path.read_text() + "\n".join(more) + "\n")
    text = " ".join(run("backtest", str(path)).stdout.split())
    assert "a warning ended: full in 46 days" in text
    assert "growing 20 B a day" in text
    assert "later: not full in the remaining" in text


def test_what_is_full_at_last_is_told_as_full(run: Run, tmp_path: Path) -> None:
    """A record that begins full raises an alarm at once."""
    path = tmp_path / "skerry.csv"
    path.write_text("time,used,capacity\n2026-01-01T00:00:00Z,10,10\n")
    text = " ".join(run("backtest", str(path)).stdout.split())
    assert "an alarm raised: full later: full" in text


def test_other_rules_are_tried_from_a_second_file(run: Run, tmp_path: Path) -> None:
    """What [rules.full] sets there goes before the present rules; the other tables of that file do not matter."""
    record, other = written(tmp_path / "skerry.csv", 40), tmp_path / "other.toml"
    other.write_text('[host]\nname = "elsewhere"\n[rules.full]\nwarning = "2d"\n')
    text = " ".join(run("backtest", str(record), "--rules", str(other)).stdout.split())
    assert "a warning, after a caution: full in 2 days" in text


@pytest.mark.parametrize(
    ("rules", "said"),
    [
        ('[host]\nname = "x"\n', "it sets no rules; write what is to be tried into [rules.full]"),
        ('[rules.full]\nwarnin = "2d"\n', "rules.full.warnin"),
        ('[rules.full]\nwarning = "90d"\n', "with the present rules"),
    ],
)
def test_rules_that_cannot_be_used_are_told(run: Run, tmp_path: Path, rules: str, said: str) -> None:
    """Nothing is walked where the other file is wrong; exit code 2."""
    other = tmp_path / "other.toml"
    other.write_text(rules)
    result = run("backtest", str(written(tmp_path / "skerry.csv", 2)), "--rules", str(other))
    assert result.exit_code == 78
    assert said in result.stderr


@pytest.mark.parametrize("json_too", [False, True])
def test_the_picture_is_a_drawing_that_stands_alone(run: Run, tmp_path: Path, *, json_too: bool) -> None:
    """An SVG with the line, the alerts as bars of three heights with their names, and nothing from elsewhere."""
    picture = tmp_path / "skerry.svg"
    extra = ["--json"] if json_too else []
    assert run("backtest", *extra, "--picture", str(picture), str(written(tmp_path / "skerry.csv", 40))).exit_code == 0
    drawing = ET.fromstring(picture.read_text())  # our own file
    assert drawing.tag == f"{SVG}svg"
    bars = [rect for rect in drawing.iter(f"{SVG}rect") if rect.find(f"{SVG}title") is not None]
    assert [rect.get("class") for rect in bars] == ["caution", "warning", "alarm"]
    assert [rect.get("height") for rect in bars] == ["6", "12", "18"]
    assert "href" not in picture.read_text()
    assert "url(" not in picture.read_text()


def test_a_picture_that_cannot_be_written_is_told(run: Run, tmp_path: Path) -> None:
    """A folder that is not there; exit code 2."""
    record = written(tmp_path / "skerry.csv", 1)
    result = run("backtest", str(record), "--picture", str(tmp_path / "no" / "skerry.svg"))
    assert result.exit_code == 73
    assert "skerry.svg cannot be written: No such file or directory" in result.stderr


BAD = {
    "": 'line 1: no column time and no used and no capacity in ""',
    "time,used\n": 'line 1: no column capacity in "time, used"; begin with the columns time, used, capacity',
    "time,used,capacity\n": "has no samples below its header",
    "time,used,capacity\nyesterday,1,2\n": 'line 2, column time: "yesterday" is not an instant; write it as 2026-',
    "time,used,capacity\n2026-01-01T00:00:00,1,2\n": "has no zone; add Z for UTC",
    "time,used,capacity\n2026-01-02T00:00:00Z,1,2\n2026-01-01T00:00:00Z,1,2\n": 'line 3, column time: "2026-01-01T00',
    "time,used,capacity\n2026-01-01T00:00:00Z,much,2\n": 'line 2, column used: "much" is not a plain number',
    "time,used,capacity\n2026-01-01T00:00:00Z,-1,2\n": 'line 2, column used: "-1" is not a plain number of at least 0',
    "time,used,capacity\n2026-01-01T00:00:00Z,nan,2\n": 'column used: "nan" is not a plain number',
    "time,used,capacity\n2026-01-01T00:00:00Z,1,0\n": "a capacity of 0 holds nothing",
    "time,used,capacity\n2026-01-01T00:00:00Z,1\n": "line 2: holds 2 values; write time, used, capacity on every line",
    'time,used,capacity\n"a' + "b" * 140_000: "is not CSV: field larger than field limit",
}


@pytest.mark.parametrize("text", BAD, ids=[str(n) for n in range(len(BAD))])
def test_a_bad_record_is_told_by_line_and_column(run: Run, tmp_path: Path, text: str) -> None:
    """Line, column, value and remedy; exit code 2 and nothing on stdout."""
    path = tmp_path / "skerry.csv"
    path.write_text(text)
    result = run("backtest", "--json", str(path))
    assert (result.exit_code, result.stdout) == (65, "")
    assert BAD[text] in result.stderr


def test_a_file_that_is_not_there_or_not_text_is_told(run: Run, tmp_path: Path) -> None:
    """What cannot be read says why."""
    assert "cannot be read: No such file" in run("backtest", str(tmp_path / "none.csv")).stderr
    path = tmp_path / "skerry.csv"
    path.write_bytes(b"time,used,capacity\n\xff\xfe\n")
    assert "is not UTF-8 text" in run("backtest", str(path)).stderr


def test_columns_may_stand_in_any_order_and_lines_may_be_empty(run: Run, tmp_path: Path) -> None:
    """A header in another order, with a mark at the file's beginning and offsets in the times."""
    path = tmp_path / "skerry.csv"
    path.write_text("\ufeffCapacity, Used ,Time\n\n10,1,2026-01-01T01:00:00+01:00\n10,2,2026-01-01T01:00:00Z\n")
    lines = run("backtest", "--json", "--every", "30m", str(path)).stdout.splitlines()
    assert [json.loads(line)["time"][11:16] for line in lines] == ["00:00", "00:30", "01:00"]


@pytest.mark.parametrize(
    "args", [[], ["skerry.csv", "--subject", "pool skerry"], ["x.csv", "--every", "soon"], ["x.csv", "--every", "0s"]]
)
def test_wrong_use_ends_with_64(run: Run, args: list[str]) -> None:
    """Neither or both of the sources, and a step that is none."""
    assert run("backtest", *args).exit_code == 64


def test_a_step_of_no_length_is_refused() -> None:
    """It would never come to an end."""
    with pytest.raises(Exception, match="not longer than 0"):
        Every().convert("0h", None, None)


def stored(path: Path) -> None:
    """A database with a level that fills, an empty one, and a condition."""
    seen = [
        Seen(START + timedelta(hours=h), Level(POOL, 300 + 20 * h / 24 + h % 3, 1000.0), "pools", 3600.0)
        for h in range(20 * 24)
    ]
    other = Seen(START, Condition(SeriesKey("pool skerry", "health"), ok=True), "pools", 3600.0)

    async def write() -> None:
        async with await Store.open(path) as store:
            await store.commit(Commit((*seen, other)))

    asyncio.run(write())


def test_a_subject_is_taken_from_the_database(run: Run, config: Path) -> None:
    """What the daemon has stored is walked as a file would be."""
    stored(config.with_name("watchkeeper.db"))
    result = run("backtest", "--json", "--subject", "pool skerry", "--every", "1d")
    assert result.exit_code == 0
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert len(lines) == 20
    assert lines[-1]["full"]["likely"].startswith(("2026-02-04", "2026-02-05"))


def test_the_rules_of_the_probe_that_brought_it_count(run: Run, config: Path) -> None:
    """A probe's own rules go before the general ones, as in the daemon."""
    stored(config.with_name("watchkeeper.db"))
    own = '[[probe]]\nkind = "memory"\nname = "pools"\n[probe.rules.full]\nwarning = "20d"\n'
    config.write_text(config.read_text() + '[rules.full]\nalarm = "never"\n' + own)
    text = " ".join(run("backtest", "--subject", "pool skerry").stdout.split())
    assert "a warning, after a caution: full in 20 days" in text


def test_a_subject_that_is_not_there_is_told_with_what_is(run: Run, config: Path) -> None:
    """The names that come near, as they are to be written."""
    stored(config.with_name("watchkeeper.db"))
    result = run("backtest", "--subject", "pool skery")
    assert result.exit_code == 64
    assert 'the database has no level "pool skery: space"; known: --subject "pool skerry" --quantity "space"' in (
        result.stderr
    )


def test_no_database_is_told(run: Run) -> None:
    """Exit code 3: it cannot run here."""
    result = run("backtest", "--subject", "pool skerry")
    assert result.exit_code == 66
    assert "there is no database" in result.stderr


def test_carbon_dioxide_is_rehearsed(run: Run, tmp_path: Path) -> None:
    """Weekly CO2 at Mauna Loa (statsmodels' data set `co2`, 1958 to 2001), a week taken as an hour, filling at 365 ppm.

    Written down from a run: the yearly swing is no obstacle, one alert is raised, at least 48 h before the first touch.
    """
    ppm = co2.load().data["co2"].dropna()
    lines = ["time,used,capacity"]
    lines += [f"{(START + timedelta(hours=i)).isoformat()},{min(v - 300, 65):.3f},65" for i, v in enumerate(ppm)]
    full = next(i for i, v in enumerate(ppm) if v >= 365)
    path = tmp_path / "co2.csv"
    path.write_text("\n".join(lines[: full + 2]) + "\n")
    seen = [json.loads(line) for line in run("backtest", "--json", str(path)).stdout.splitlines()]
    standing = [each["priority"] in ("warning", "alarm") for each in seen]
    assert standing[-48]
    assert sum(b and not a for a, b in zip([False, *standing], standing, strict=False)) == 1


@pytest.mark.timeout(1000)
def test_long_work_shows_how_far_it_is_on_a_terminal(tmp_path: Path) -> None:
    """A bar on stderr where that is a terminal, nothing of it on stdout."""
    record = written(tmp_path / "skerry.csv", 30, rate=1)
    leader, follower = pty.openpty()
    command = [sys.executable, "-m", "watchkeeper", "backtest", "--json", "--every", "15m", str(record)]
    # The bar is read while the command runs: a terminal that nobody reads holds 18 kB and then blocks the writer,
    # and a slow machine draws the bar more often.
    with ThreadPoolExecutor(1) as reader:
        shown = reader.submit(_all_of, leader)
        try:
            done = subprocess.run(
                command,
                stdout=subprocess.PIPE,
                stderr=follower,
                env={**os.environ, "TERM": "xterm"},
                check=True,
                timeout=900,
            )
        finally:
            os.close(follower)
        assert b"Evaluating" in shown.result(60)
    os.close(leader)
    assert len(done.stdout.splitlines()) == 30 * 96 + 1


def _all_of(terminal: int) -> bytes:
    """Everything that is written to the other end of a terminal, until that end is closed."""
    shown = b""
    try:
        while more := os.read(terminal, 65536):
            shown += more
    except OSError:  # the other end is closed, and all was read
        pass
    return shown
