"""`report` from a real database."""

from pathlib import Path

import pytest

from tests.cli.conftest import Run, fill
from tests.support import readstore


def test_a_month(run: Run, config: Path) -> None:
    """The one before this one, or the one that is named."""
    fill(config.with_name("watchkeeper.db"), readstore.full())
    before = run("report")
    assert (before.exit_code, before.stdout.splitlines()[0]) == (0, "Report of gannet for October 2026")
    assert "Nothing was recorded in this month." in before.stdout
    present = run("report", "2026-11")
    assert "the record begins then." in present.stdout
    assert "\nAlerts:\n" in present.stdout


@pytest.mark.parametrize(
    ("month", "said"), [("2026-12", "2026-12 has not begun"), ("November", '"November" is not a month; write one such')]
)
def test_what_is_no_month_to_report(run: Run, config: Path, month: str, said: str) -> None:
    """It says why, and what to write."""
    fill(config.with_name("watchkeeper.db"), readstore.calm())
    result = run("report", month)
    assert (result.exit_code, said in " ".join(result.stderr.split())) == (64, True)
