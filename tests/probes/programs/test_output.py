"""The JSON that programs print: every kind of observation, and what is refused."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, SeriesKey, Unit
from watchkeeper.probes.programs.output import OBSERVATIONS_LIMIT, read

JETTY = {"subject": "jetty", "quantity": "lamp"}
KEY = SeriesKey("jetty", "lamp")

FIELDS = st.sampled_from(["kind", "subject", "quantity", "used", "ok", "facts"])
JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(FIELDS, inner, max_size=6),
    max_leaves=10,
)


def test_every_kind() -> None:
    """Each kind of observation, with all its fields and with the fewest."""
    due = datetime(2026, 3, 1, 12, tzinfo=UTC)
    said: list[dict[str, Any]] = [
        {"kind": "level", "subject": "a", "quantity": "b", "used": 1, "capacity": 2, "unit": "count",
         "facts": {"n": "v"}},
        {"kind": "level", **JETTY, "used": 0, "capacity": 0.5},
        {"kind": "deadline", "subject": "c", "quantity": "d", "due_at": "2026-03-01T13:00:00+01:00", "period_s": 60,
         "last_at": "2026-03-01T11:00:00Z"},
        {"kind": "answer", "subject": "e", "quantity": "f", "answered": True, "took_s": 0.5},
        {"kind": "condition", "subject": "g", "quantity": "h", "ok": False, "reason": "two\n lines", "grave": True},
    ]  # fmt: skip
    assert read(json.dumps(said).encode()) == [
        Level(SeriesKey("a", "b"), 1, 2, Unit.COUNT, (("n", "v"),)),
        Level(KEY, 0, 0.5, Unit.BYTES),
        Deadline(SeriesKey("c", "d"), due, datetime(2026, 3, 1, 11, tzinfo=UTC), 60),
        Answer(SeriesKey("e", "f"), answered=True, took_s=0.5),
        Condition(SeriesKey("g", "h"), ok=False, reason="two lines", grave=True),
    ]


def test_one_alone() -> None:
    """A single observation needs no list around it; none at all is an empty list."""
    one = json.dumps({"kind": "condition", **JETTY, "ok": True}).encode()
    assert read(b"\n " + one + b"\n") == [Condition(KEY, ok=True)]


def test_the_first_name_of_ok_is_accepted() -> None:
    """Programs that were written for version 0.1.0 say `sound`; to say both is an error."""
    assert read(json.dumps({"kind": "condition", **JETTY, "sound": False}).encode()) == [Condition(KEY, ok=False)]
    with pytest.raises(ProbeError, match="sound"):
        read(json.dumps({"kind": "condition", **JETTY, "ok": True, "sound": True}).encode())
    assert read(b"[]") == []


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"kind": "gauge"}, "kind"),
        ({"kind": "level", **JETTY, "used": 1}, "capacity"),
        ({"kind": "level", **JETTY, "used": -1, "capacity": 1}, "used"),
        ({"kind": "level", **JETTY, "used": 1, "capacity": 0}, "capacity"),
        ({"kind": "level", **JETTY, "used": float("nan"), "capacity": 1}, "used"),
        ({"kind": "deadline", **JETTY, "due_at": "2026-03-01T13:00:00"}, "due_at"),
        ({"kind": "deadline", **JETTY, "due_at": "9999-12-31T23:59:59-14:00"}, "due_at"),
        ({"kind": "condition", **JETTY, "ok": True, "colour": "red"}, "colour"),
        ({"kind": "condition", "subject": "probe memory", "quantity": "runs", "ok": True}, "subject"),
        ({"kind": "condition", "subject": " ", "quantity": "q", "ok": True}, "subject"),
        ({"kind": "condition", **JETTY, "ok": True, "reason": "x" * 501}, "reason"),
        ({"kind": "condition", **JETTY, "ok": True, "facts": {str(n): "" for n in range(51)}}, "facts"),
    ],
)
def test_what_is_refused(said: dict[str, Any], why: str) -> None:
    """A wrong observation is refused with the place that is wrong."""
    with pytest.raises(ProbeError, match=f"its output cannot be used: .*{why}"):
        read(json.dumps(said).encode())


@pytest.mark.parametrize("output", [b"", b"{", b"no json", b"\xff", b"[" * 100_000, b"7", b"null"])
def test_what_is_no_json(output: bytes) -> None:
    """Anything that is no JSON of observations is refused; nothing printed is no list."""
    if output == b"":
        assert read(output) == []
        return
    with pytest.raises(ProbeError, match="its output cannot be used"):
        read(output)


def test_too_many_and_twice() -> None:
    """More observations than are kept, and two of one series, are refused."""
    one = {"kind": "condition", "subject": "s", "ok": True}
    many = [{**one, "quantity": str(number)} for number in range(OBSERVATIONS_LIMIT + 1)]
    with pytest.raises(ProbeError, match="at most 200"):
        read(json.dumps(many).encode())
    with pytest.raises(ProbeError, match='"s: 0" is in it more than once'):
        read(json.dumps(many[:1] * 2).encode())


def test_signs_that_no_line_should_hold() -> None:
    """Names are made fit to be shown, in one line."""
    said = {"kind": "condition", "subject": "je\x1b[31mtty\n", "quantity": "la\u202emp", "ok": True}
    (seen,) = read(json.dumps(said).encode())
    assert str(seen.key).isprintable()


@given(JSON)
def test_no_json_does_harm(said: Any) -> None:
    """Whatever JSON comes, it is observations or a ProbeError."""
    told = ""
    try:
        read(json.dumps(said).encode())
    except ProbeError as error:
        told = str(error)
    assert told.isprintable()
