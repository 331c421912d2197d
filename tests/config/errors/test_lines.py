"""The line on which a key is: checked by renaming it there."""

import pytest

from watchkeeper.config.errors.lines import LONGEST, line_of
from watchkeeper.config.errors.locations import Place

TEXT = '''# every = "not this one"
[host]
name = "gannet"
note = """
every = "nor this one"
"""
[[probe]]
kind = "http"
every = "1m"
[[probe]]
kind = "tcp"
"every" = "2m"
rules.full.alarm = "1d"
[probe.rules.overdue]
late_alarm = 2
[[probe]]
files = [
    "a",
]
inline = { every = 1 }
'''


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        (("host",), 2), (("host", "name"), 3), (("probe", 0, "every"), 9), (("probe", 1, "every"), 12),
        (("probe", 1, "rules", "full", "alarm"), 13), (("probe", 1, "rules", "overdue"), 14),
        (("probe", 1, "rules", "overdue", "late_alarm"), 15), (("probe", 2), 16), (("probe", 2, "url"), 16),
        (("probe", 2, "files"), 17), (("probe", 2, "files", 0), 17), (("host", "time_zone"), 2), (("nothing",), None),
        (("probe", 2, "inline", "every"), 20), (("probe", 9, "url"), 7), ((), None), ((0,), None),
    ],
)  # fmt: skip
def test_where_a_key_is(keys: Place, line: int | None) -> None:
    """Not in a comment or a text; a missing one is in its table."""
    assert line_of(TEXT, keys) == line


def test_what_is_too_long_is_not_searched() -> None:
    """Each candidate is parsed."""
    assert line_of(TEXT + "#" * LONGEST, ("host",)) is None
    assert line_of("not toml [", ("host",)) is None
