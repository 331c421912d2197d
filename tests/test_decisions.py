"""Decision records: their form, and the index in DEVELOPERS.md, which `python -m tests.test_decisions` writes again."""

import re
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from zipfile import ZipFile

import pytest
from hatchling.builders.wheel import WheelBuilder

ROOT = Path(__file__).parents[1]
DEVELOPERS = ROOT / "DEVELOPERS.md"
RECORDS = sorted(
    path for place in ("watchkeeper", "tests/host", "deploy") for path in (ROOT / place).rglob("decisions/*.md")
)
PARTS = ["Context", "Decision", "Rejected", "Revisit when"]
PLACE = re.compile(r"(<!-- decisions:begin[^>]*-->\n).*?(<!-- decisions:end -->)", re.DOTALL)


def title(path: Path) -> str:
    """A record's title without its number."""
    return path.read_text(encoding="utf-8").partition("\n")[0].partition(": ")[2]


def index() -> str:
    """One row for each folder with decisions."""
    rows = ["| folder | decisions |", "|---|---|"]
    for folder, records in groupby(RECORDS, key=lambda path: path.parents[1].relative_to(ROOT)):
        links = (f"[{title(path)}]({path.relative_to(ROOT).as_posix()})" for path in records)
        rows.append(f"| `{folder.as_posix()}` | {'; '.join(links)} |")
    return "".join(f"{row}\n" for row in rows)


def written_into(text: str) -> str:
    """The document with the index of today."""
    return PLACE.sub(lambda found: f"{found[1]}\n{index()}\n{found[2]}", text)


def bound(path: Path) -> Iterator[str]:
    """The files that a record says it binds."""
    said = path.read_text(encoding="utf-8").partition("\nBinds: ")[2].partition("\n\n")[0]
    for code, plain in re.findall(r"`([\w./-]+)`|((?:tests|deploy)/[\w./-]+\w)", said):
        if (name := code or plain).endswith((".py", ".toml", "/")) or plain:
            yield name


def test_the_index_is_that_of_the_records() -> None:
    """A record that is added, renamed or removed changes DEVELOPERS.md, or this fails."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    assert PLACE.search(text)
    assert text == written_into(text), "run: python -m tests.test_decisions"


@pytest.mark.parametrize("path", RECORDS, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_record_is_whole(path: Path) -> None:
    """It has its number, its four parts in order, and every file that it binds is there."""
    text = path.read_text(encoding="utf-8")
    assert text.startswith(f"# {path.name[:4]}: ")
    assert re.findall(r"^\*\*(.+?)\.\*\* \S", text, re.MULTILINE) == PARTS
    names = list(bound(path))
    assert names
    for name in names:
        assert any((place / name).exists() for place in (path.parents[1], ROOT / "watchkeeper", ROOT)), name


def test_records_are_numbered_without_a_gap() -> None:
    """In each folder from 0001 on, so that a number names one record."""
    for folder, records in groupby(RECORDS, key=lambda path: path.parent):
        numbers = [int(path.name[:4]) for path in records]
        assert numbers == list(range(1, len(numbers) + 1)), folder


def test_the_wheel_has_the_manual_and_no_decisions(tmp_path: Path) -> None:
    """An installed copy needs the manual; records are for those who have the code."""
    (wheel,) = WheelBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"])
    names = ZipFile(wheel).namelist()
    manual = [path for end in ("md", "toml", "py") for path in (ROOT / "watchkeeper/manual").rglob(f"*.{end}")]
    assert {str(path.relative_to(ROOT)) for path in manual} <= set(names)
    assert [name for name in names if "decisions" in name.split("/")] == []


if __name__ == "__main__":
    DEVELOPERS.write_text(written_into(DEVELOPERS.read_text(encoding="utf-8")), encoding="utf-8")
