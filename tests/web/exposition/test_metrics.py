"""What /metrics says, against the standard's own grammar and against a parser that others wrote."""

import math
import re
from datetime import timedelta
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support import readstore
from tests.support.readstore import NOW, ReadStoreDouble
from tests.web.exposition.grammar import OPENMETRICS, Labels, check, parsed
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, SeriesKey
from watchkeeper.model.records import Seen
from watchkeeper.web.dashboard.health import Check, HealthReport, Measurements
from watchkeeper.web.exposition.activity import Activity, ProbeActivity
from watchkeeper.web.exposition.metrics import FAMILIES, LEFT_OUT, Monitored, expose
from watchkeeper.web.exposition.openmetrics import Exposition, Family, Limits, MetricType, Point

WIDE = Limits()
HEALTH = Measurements(NOW - timedelta(days=3), (Check("probes", "runs", HealthReport.WARN, "one fails"),))
WORK = Activity(
    (ProbeActivity("host", 7, 1, 0.125, NOW), ProbeActivity("tide-log")),
    {("mail", "delivered"): 3, ("mail", "failed"): 2},
)


async def monitored(store: ReadStoreDouble) -> Monitored:
    """What a store's state exposes."""
    return Monitored(
        "gannet", HEALTH, WORK, await store.latest(), await store.findings(), await store.alerts(), {"mail": 1}
    )


def of(key: SeriesKey, **more: str) -> Labels:
    """The labels of a quantity."""
    return tuple(sorted({"subject": key.subject, "quantity": key.quantity, **more}.items()))


@pytest.mark.parametrize("state", ["calm", "filling", "full", "fresh", "crowd"])
async def test_every_state_is_an_exposition(state: str) -> None:
    """By the grammar, the standard's rules in words, and a parser of others; with a unit where the name has one."""
    store: ReadStoreDouble = getattr(readstore, state)()
    text = expose(await monitored(store), NOW, WIDE)
    found = parsed(text)
    assert found["watchkeeper_samples_left_out", ()] == 0
    assert len({key.subject for key in (s.observation.key for s in store.seen)}) == len(
        {dict(labels)["subject"] for name, labels in found if name == "watchkeeper_observed_timestamp_seconds"}
    )


async def test_the_four_kinds() -> None:
    """Each value is what was observed, in base units."""
    store = readstore.filling()
    found = parsed(expose(await monitored(store), NOW, WIDE))
    for each in await store.latest():
        labels = of(each.observation.key)
        assert found["watchkeeper_observed_timestamp_seconds", labels] == pytest.approx(each.at.timestamp())
        match each.observation:
            case Level(used=used, capacity=size, unit=unit):
                name = {"bytes": "bytes", "count": "items", "share": "ratio"}[unit.value]
                assert found[f"watchkeeper_level_used_{name}", labels] == pytest.approx(used)
                assert found.get((f"watchkeeper_level_size_{name}", labels), size) == pytest.approx(size)
            case Deadline(due_at=due) if due is not None:
                left_s = (due - NOW).total_seconds()
                assert found["watchkeeper_time_to_due_seconds", labels] == pytest.approx(left_s)
            case Answer(answered=answered, took_s=took_s):
                assert found["watchkeeper_answering", labels] == answered
                assert found.get(("watchkeeper_answer_duration_seconds", labels)) == took_s
            case Condition(ok=ok):
                assert found["watchkeeper_condition_ok", labels] == ok
            case Deadline():
                assert ("watchkeeper_time_to_due_seconds", labels) not in found


async def test_a_forecast_with_its_range() -> None:
    """In seconds left; a range without an upper end is infinite there, and without a forecast there is no sample."""
    found = parsed(expose(await monitored(readstore.filling()), NOW, WIDE))

    def left(key: SeriesKey) -> list[float | None]:
        name = "watchkeeper_time_to_full_seconds"
        return [found.get((name, of(key, bound=bound))) for bound in ("earliest", "likely", "latest")]

    day = 86_400.0
    assert left(SeriesKey("pool skerry", "space")) == [pytest.approx(d * day, rel=1e-6) for d in (2.2, 3.1, 4.9)]
    assert left(SeriesKey("file system /srv", "space"))[2] == math.inf
    assert left(SeriesKey("memory", "swap")) == [None, None, None]


async def test_what_is_full_has_no_time_left() -> None:
    """0, and not less, however long ago it was."""
    text = expose(await monitored(readstore.full()), NOW + timedelta(hours=1), WIDE)
    key = SeriesKey("pool skerry", "space")
    assert parsed(text)["watchkeeper_time_to_full_seconds", of(key, bound="likely")] == 0


async def test_alerts_probes_deliveries_and_health() -> None:
    """Counts of what there is none of are 0 and not missing; what never ran has no time."""
    found = parsed(expose(await monitored(readstore.filling()), NOW, WIDE))

    def alerts(state: str, priority: str) -> float:
        return found["watchkeeper_alerts", (("priority", priority), ("state", state))]

    assert (alerts("active", "warning"), alerts("active", "alarm"), alerts("acknowledged", "caution")) == (2, 0, 1)
    assert (found["watchkeeper_alerts_rectified", ()], found["watchkeeper_alerts_shelved", ()]) == (1, 0)
    pool = (("concern", "full"), *of(SeriesKey("pool skerry", "space")))
    assert found["watchkeeper_alert_priority", pool] == Priority.WARNING
    assert found["watchkeeper_probe_runs_total", (("probe", "host"),)] == 7
    assert found["watchkeeper_probe_failures_total", (("probe", "host"),)] == 1
    assert found["watchkeeper_probe_duration_seconds", (("probe", "host"),)] == 0.125
    assert found["watchkeeper_probe_last_run_timestamp_seconds", (("probe", "host"),)] == NOW.timestamp()
    assert ("watchkeeper_probe_duration_seconds", (("probe", "tide-log"),)) not in found
    assert found["watchkeeper_delivery_attempts_total", (("notifier", "mail"), ("result", "delivered"))] == 3
    assert found["watchkeeper_deliveries_waiting", (("notifier", "mail"),)] == 1
    health = {labels[0][1]: value for (name, labels), value in found.items() if name == "watchkeeper_health"}
    assert health == {"pass": 0, "warn": 1, "fail": 0}


async def test_a_shelved_alert_is_counted() -> None:
    """It is still one of the active ones."""
    alert = Alert(
        SeriesKey("a", "b"), Concern.FULL, State.ACTIVE, Priority.ALARM, shelved_until=NOW + timedelta(hours=1)
    )
    found = parsed(expose(Monitored("gannet", HEALTH, alerts=[alert]), NOW, WIDE))
    assert found["watchkeeper_alerts_shelved", ()] == 1


def test_names_end_with_their_unit() -> None:
    """And none uses an ending that the standard keeps for samples."""
    for family in (*FAMILIES, LEFT_OUT):
        assert OPENMETRICS.matches("metricname", family.name)
        assert not family.unit or family.name.endswith(f"_{family.unit}")
        assert not family.name.endswith(("_total", "_created", "_count", "_sum", "_bucket", "_info"))
        assert family.unit or not family.name.endswith(("_seconds", "_bytes", "_ratio", "_items"))


def test_the_manual_lists_every_family() -> None:
    """And no other."""
    manual = (files("watchkeeper") / "manual/heartbeat-and-feeds.md").read_text(encoding="utf-8")
    assert set(re.findall(r"`(watchkeeper_\w+)`", manual)) == {each.name for each in (*FAMILIES, LEFT_OUT)}


@pytest.mark.parametrize(
    "limits", [Limits(points=60), Limits(size_bytes=9_000), Limits(points=1), Limits(size_bytes=0)]
)
async def test_it_is_bounded(limits: Limits) -> None:
    """In samples and in bytes; how many were left out is said, and what is urgent stays longest."""
    full = parsed(expose(await monitored(readstore.crowd()), NOW, Limits(10**6, 10**9)))
    text = expose(await monitored(readstore.crowd()), NOW, limits)
    found = parsed(text)
    left_out = found["watchkeeper_samples_left_out", ()]
    assert len(found) + left_out == len(full)
    assert left_out > 0
    assert len(found) <= limits.points
    assert len(text.encode()) <= max(limits.size_bytes, 200), "but for the family that counts what was left out"
    full_first = [dict(labels)["subject"] for name, labels in found if name == "watchkeeper_time_to_full_seconds"]
    if full_first:
        assert full_first[0] == "file system /srv/hide-0"


async def test_names_that_are_the_same_once_cut() -> None:
    """Two samples with the same labels would make the text invalid: the second is left out and counted."""
    long = "x" * 400
    seen = [Seen(NOW, Condition(SeriesKey(f"{long[:200]}{n}{long[200:]}", "state"), ok=True), "p", 60) for n in "ab"]
    found = parsed(expose(Monitored("gannet", HEALTH, seen=seen), NOW, WIDE))
    assert found["watchkeeper_samples_left_out", ()] == 2


FAMILY = Family("watchkeeper_test_seconds", MetricType.GAUGE, 'of "a\\b"\nand more', "seconds")


@given(text=st.text(), value=st.floats(allow_nan=False))
def test_any_text_and_any_number(text: str, value: float) -> None:
    """Names from outside break no line, and a number comes back as it was."""
    exposition = Exposition([FAMILY], LEFT_OUT, WIDE)
    exposition.add([Point(FAMILY, (("subject", text),), value)])
    found = parsed(exposition.text())
    (back,) = (v for (name, _), v in found.items() if name == FAMILY.name)
    assert back == value


@pytest.mark.parametrize(
    "bad",
    [
        "# EOF\n# EOF\n", "a 1\n", "# TYPE a gauge\na 1\n", '# TYPE a gauge\na{b="c} 1\n# EOF\n',
        "# TYPE a_seconds gauge\n# UNIT a_seconds bytes\na_seconds 1\n# EOF\n",
        "# TYPE a counter\na 1\n# EOF\n", "# TYPE a gauge\na one\n# EOF\n",
        "# TYPE a gauge\na 1\na 1\n# EOF\n", "# TYPE a gauge\na 1\n# TYPE b gauge\nb 1\na 2\n# EOF\n",
        '# TYPE a gauge\na{1b="c"} 1\n# EOF\n', "# type a gauge\na 1\n# EOF\n",
    ],
)  # fmt: skip
def test_the_check_finds_what_is_wrong(bad: str) -> None:
    """Else it would prove nothing."""
    with pytest.raises((AssertionError, KeyError, IndexError)):
        check(bad)
