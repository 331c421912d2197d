"""How the commands print: aligned in any script, bold at most, JSON that any reader takes."""

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from watchkeeper.cli import output


def test_rows_wrap_within_their_own_column(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """A long text goes on beneath itself, not beneath the left column."""
    monkeypatch.setenv("COLUMNS", "40")
    output.rows([("3 days", ["a pool that is going to be full one day"]), ("海鳥", ["b"])])
    assert capsys.readouterr().out.splitlines() == [
        "  3 days    a pool that is going to be",
        "            full one day",
        "  海鳥      b",
    ]


def test_no_rows_print_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    """Not even an empty line."""
    output.rows([])
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(("columns", "width"), [("40", 40), ("9999", output.LONGEST_LINE), ("7", 80), ("many", 80)])
def test_the_width_is_the_terminals(monkeypatch: pytest.MonkeyPatch, columns: str, width: int) -> None:
    """$COLUMNS goes first; what is no width counts as none."""
    monkeypatch.setenv("COLUMNS", columns)
    assert output._width() == width


def test_json_holds_no_number_that_json_does_not_know(capsys: pytest.CaptureFixture[str]) -> None:
    """RFC 8259 has no NaN; a defect that brings one is an error and not a broken document."""
    output.as_json({"海鳥": 1})
    assert json.loads(capsys.readouterr().out) == {"海鳥": 1}
    with pytest.raises(ValueError):
        output.as_json(float("nan"))


@pytest.mark.parametrize(("environment", "bold"), [({}, True), ({"NO_COLOR": "1"}, False), ({"TERM": "dumb"}, False)])
def test_a_terminal_gets_bold_unless_it_says_otherwise(environment: dict[str, str], *, bold: bool) -> None:
    """On a real terminal headings are bold; with NO_COLOR, or where it cannot, they are plain."""
    controller, terminal = pty.openpty()
    code = "from watchkeeper.cli.output import heading; heading('gannet')"
    known = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLUMNS")}
    env = known | {"TERM": "xterm"} | environment
    subprocess.run(
        [sys.executable, "-c", code], stdout=terminal, env=env, check=True, cwd=Path(__file__).parents[2], timeout=60
    )
    os.close(terminal)
    printed = os.read(controller, 1000).decode()
    os.close(controller)
    assert ("\x1b[1m" in printed) is bold
    assert "gannet" in printed
