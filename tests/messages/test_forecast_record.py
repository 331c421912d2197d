"""The record of forecasts in words."""

from dataclasses import replace

import pytest

from watchkeeper.messages.forecast_record import record_line, width_line
from watchkeeper.model.forecast_record import RecordSummary

FOUND = RecordSummary(count=41, held=38, cut_short=0, median_error=0.12, fills=0, warned=0)


HELD = "of 41 forecasts whose time has come, 38 held"
FEW = "too few forecasts whose time has come to judge them"
EARLY = "ended early (room was made, or the capacity changed)"
PASSED = "more than half passed without filling"


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (FOUND, [HELD, "median error 12 %"]),
        (replace(FOUND, median_error=0.0), [HELD, "median error under 1 %"]),
        (
            replace(FOUND, fills=1, warned=1, cut_short=5),
            [HELD, "median error 12 %", "full once, with a warning early enough", f"5 others {EARLY}"],
        ),
        (
            replace(FOUND, fills=3, warned=3),
            [HELD, "median error 12 %", "full 3 times, each time with a warning early enough"],
        ),
        (
            replace(FOUND, fills=3, warned=2, median_error=None),
            [HELD, PASSED, "full 3 times, 2 of them with a warning early enough"],
        ),
        (replace(FOUND, count=0), [f"{FEW}: none so far"]),
        (replace(FOUND, count=1, cut_short=1), [f"{FEW}: 1 forecast so far", f"1 other {EARLY}"]),
        (replace(FOUND, count=9), [f"{FEW}: 9 forecasts so far"]),
    ],
)
def test_the_record_in_one_line(found: RecordSummary, words: list[str]) -> None:
    """How many held and how far off they were; or that there are too few to say."""
    assert record_line(found) == "; ".join(words)


def test_the_width_in_one_line() -> None:
    """Wider, narrower, or not changed."""
    assert width_line(1.204) == "By this record the 90 % ranges are widened, to 1.20 times the calculated width."
    assert width_line(0.8) == "By this record the 90 % ranges are narrowed, to 0.80 times the calculated width."
    assert width_line(1.0).endswith("the record has not changed them.")
