"""Durations and sizes as people write and read them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.model.units import (
    BYTES,
    SECONDS,
    format_age,
    format_duration,
    format_size,
    parse_duration,
    parse_pace,
    parse_size,
)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("90s", 90),
        ("15m", 900),
        ("1h30m", 5400),
        ("1h 30m", 5400),
        ("2d", 172_800),
        ("1w", 604_800),
        ("0s", 0),
        ("1.5h", 5400),
        (" 15 M ", 900),
        ("0.1s", 0.1),
    ],
)
def test_a_duration_is_read(text: str, seconds: float) -> None:
    """A duration counts what its parts count together, in any case and with any spaces."""
    assert parse_duration(text) == seconds


@pytest.mark.parametrize("text", ["", "15", "m", "m15", "1 5m", "-1m", "15m-", "1.5.5m", "15 parsecs", "1h,5m", "١x"])
def test_what_is_no_duration_says_what_is_allowed(text: str) -> None:
    """Anything else is refused with the text and the remedy."""
    with pytest.raises(ValueError) as caught:
        parse_duration(text)
    wanted = f"{text!r} is not a duration; write a number and a unit (s, m, h, d, w), such as 15m or 1h30m"
    assert str(caught.value) == wanted


@given(st.integers(min_value=0, max_value=10**10))
def test_a_whole_duration_survives_being_written(seconds: int) -> None:
    """What is written for whole seconds is read back as the same."""
    assert parse_duration(format_duration(seconds)) == seconds


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0s"), (5400, "1h30m"), (604_800, "7d"), (2_592_000, "30d"), (90_061, "1d1h1m1s"), (0.4, "0s"), (59.6, "1m")],
)
def test_a_duration_is_written_in_the_largest_units(seconds: float, text: str) -> None:
    """Days are the largest unit, because limits are thought of in days."""
    assert format_duration(seconds) == text


@pytest.mark.parametrize(
    ("text", "size_bytes"),
    [
        ("4096", 4096),
        ("32 GiB", 34_359_738_368),  # common practice, no source: 2 vCPU, 2 GiB and 32 GiB are a house hub's least
        ("32gib", 34_359_738_368),
        ("1.5 TB", 1_500_000_000_000),
        ("1 kB", 1000),
        ("1 KiB", 1024),
        ("7 B", 7),
    ],
)
def test_a_size_is_read(text: str, size_bytes: int) -> None:
    """IEC 80000-13: Ki is 1024 and k is 1000; no unit means bytes."""
    assert parse_size(text) == size_bytes


@pytest.mark.parametrize("text", ["", "GiB", "-1 GiB", "1 GiB 2", "1 parsec", "1e3", "32 G"])
def test_what_is_no_size_says_what_is_allowed(text: str) -> None:
    """Anything else is refused with the text and the units."""
    with pytest.raises(ValueError) as caught:
        parse_size(text)
    assert str(caught.value).startswith(f"{text!r} is not a size; write a number and a unit (B, KiB, MiB,")
    assert str(caught.value).endswith("such as 32 GiB")


@pytest.mark.parametrize(
    ("size_bytes", "text"),
    [
        (0, "0 B"),
        (999, "999 B"),
        (1000, "0.98 KiB"),
        (1024, "1 KiB"),
        (34_359_738_368, "32 GiB"),
        (1_000_000_000_000, "931 GiB"),  # 1 TB = 0.909495 TiB
        (-2048, "-2 KiB"),
        (1.5 * 2**40, "1.5 TiB"),
        (2.0**70, "1048576 PiB"),
    ],
)
def test_a_size_is_written_with_three_digits(size_bytes: float, text: str) -> None:
    """A size for people has about three digits, in IEC units."""
    assert format_size(size_bytes) == text


@given(st.floats(min_value=0, max_value=2**60))
def test_a_size_survives_being_written_to_a_hundredth(size_bytes: float) -> None:
    """What is written differs from the truth by at most half a unit of its last digit."""
    assert parse_size(format_size(size_bytes)) == pytest.approx(size_bytes, rel=0.006, abs=1)


def test_the_units_are_those_of_the_standard() -> None:
    """IEC 80000-13 and the SI: the prefixes of the tables mean what they say."""
    assert [BYTES[u] for u in ("KiB", "MiB", "GiB", "TiB", "PiB")] == [2 ** (10 * n) for n in range(1, 6)]
    assert [BYTES[u] for u in ("kB", "MB", "GB", "TB", "PB")] == [10 ** (3 * n) for n in range(1, 6)]
    assert SECONDS == {"s": 1, "m": 60, "h": 3600, "d": 24 * 3600, "w": 7 * 24 * 3600}


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0s"), (0.4, "0s"), (59.9, "59s"), (599, "9m59s"), (600, "10m"), (659, "10m"), (5_399, "1h29m"),
        (86_399, "23h59m"), (86_400, "1d"), (109_000, "1d6h"), (35 * 86_400 + 3_599, "35d"), (-5, "0s"),
    ],
)  # fmt: skip
def test_an_age_without_its_small_units(seconds: float, text: str) -> None:
    """What has lasted for days is not told to the minute, and never longer than it is."""
    assert format_age(seconds) == text


@pytest.mark.parametrize(
    ("text", "daily"), [("1 GiB/day", 2**30), ("24KiB/ Hour", 24 * 24 * 2**10), ("7 MiB/week", 2**20)]
)
def test_a_growth_is_read(text: str, daily: float) -> None:
    """A size and the time in which it comes, whatever the case."""
    assert parse_pace(text) == pytest.approx(daily)


@pytest.mark.parametrize("text", ["1GiB", "1GiB/year", "1GiB/", "/", ""])
def test_what_is_no_growth_says_what_is_allowed(text: str) -> None:
    """Without a time, and with one that is not known."""
    with pytest.raises(ValueError, match="is not a growth; write a size and /hour, /day or /week, such as 1GiB/day"):
        parse_pace(text)
