"""One entry per series: its owner, what explains its absence, and that one `del` drops it."""

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.support.house import HOUR, MINUTE, START, Script, watched
from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.rules import NotAnsweringRule, Rules
from watchkeeper.model.observation import Answer, Condition, Kind, Level, Observation, SeriesKey
from watchkeeper.runtime.scheduled_probe import OWN_REFRESH, ProbeRuns, ScheduledProbe
from watchkeeper.runtime.series_registry import SeriesEntry, SeriesRegistry

HUB = SeriesKey("service hide-hub", "answer")
SPACE, ANSWERS = SeriesKey("file system /skerry", "space"), SeriesKey("file system /skerry", "answers")
PROBE = watched(())


@pytest.fixture
def registry() -> SeriesRegistry:
    """A registry that expects the probe."""
    made = SeriesRegistry(AlertBook())
    made.expect([PROBE.label], START)
    return made


def see(registry: SeriesRegistry, seen: Observation, probe: ScheduledProbe = PROBE, minute: int = 0) -> SeriesEntry:
    """A probe returns an observation at a minute."""
    at = START + minute * MINUTE
    entry = registry.entry(probe, seen)
    entry.evaluator.take(seen, at)
    registry.mark(seen, at)
    return entry


def test_a_series_has_one_entry(registry: SeriesRegistry) -> None:
    """The same entry at every run; a series of another kind gets a new one."""
    entry = see(registry, Answer(HUB, answered=True))
    assert see(registry, Answer(HUB, answered=False), minute=1) is entry
    assert registry[HUB] is entry
    assert (entry.owner, entry.last_seen) == (PROBE, START + MINUTE)
    assert (list(registry), len(registry), list(registry.values())) == ([HUB], 1, [entry])
    assert (entry.evaluator.interval_s, entry.evaluator.rules) == (PROBE.interval_s, PROBE.rules)
    other = see(registry, Condition(HUB, ok=True), minute=2)
    assert other is not entry
    assert other.evaluator.kind is Kind.CONDITION


def test_one_del_drops_all_that_is_known(registry: SeriesRegistry) -> None:
    """It is no longer down, explains nothing, and comes back as a new one."""
    entry = see(registry, Condition(ANSWERS, ok=False, reason="it hangs"))
    space = see(registry, Level(SPACE, 1, 2))
    assert registry.down == {ANSWERS: START}
    assert registry.seen_at(space) == START
    registry.runs[PROBE.label].went_well_at = START + MINUTE
    del registry[ANSWERS]
    assert ANSWERS not in registry
    assert registry.down == {}
    assert registry.seen_at(space) == START + MINUTE
    assert see(registry, Condition(ANSWERS, ok=True)) is not entry
    with pytest.raises(KeyError):
        del registry[HUB]


def test_since_when_a_thing_is_down(registry: SeriesRegistry) -> None:
    """From the first run that found it down, until one that does not."""
    for minute in (1, 2):
        see(registry, Answer(HUB, answered=False), minute=minute)
    assert registry.down == {HUB: START + MINUTE}
    see(registry, Answer(HUB, answered=True), minute=3)
    assert registry.down == {}


def test_until_when_a_series_could_have_been_seen(registry: SeriesRegistry) -> None:
    """The probe's own series by the clock, the others by when it last ran well."""
    own = see(registry, Condition(PROBE.own_key, ok=True))
    hub = see(registry, Answer(HUB, answered=True))
    assert registry.seen_at(own) is None
    registry.runs[PROBE.label].went_well_at = START + HOUR
    assert registry.seen_at(hub) == START + HOUR


def test_a_fault_explains_others_of_its_subject_while_it_is_seen(registry: SeriesRegistry) -> None:
    """Not its own, not when it is OK again, and not once it is missing too."""
    space = see(registry, Level(SPACE, 1, 2))
    fault = see(registry, Condition(ANSWERS, ok=False, reason="it hangs"), minute=1)
    registry.runs[PROBE.label].went_well_at = START + 2 * MINUTE
    assert registry.seen_at(space) == START
    assert registry.seen_at(fault) == START + 2 * MINUTE
    registry.runs[PROBE.label].went_well_at = START + 4 * MINUTE
    assert registry.seen_at(space) == START + 4 * MINUTE, "the fault itself has not been seen for three minutes"
    registry.runs[PROBE.label].went_well_at = START + 2 * MINUTE
    see(registry, Condition(ANSWERS, ok=True), minute=2)
    assert registry.seen_at(space) == START + 2 * MINUTE


def test_another_configuration_gives_rules_and_orphans_what_nobody_brings(registry: SeriesRegistry) -> None:
    """A removed probe explains nothing and is not waited for; one that returns under another name keeps its series."""
    hub = see(registry, Answer(HUB, answered=False))
    fault = see(registry, Condition(ANSWERS, ok=False), replace(PROBE, label="storage"))
    space = see(registry, Level(SPACE, 1, 2), PROBE)
    fault.next_evaluation = START
    other = replace(PROBE, interval_s=5.0, rules=Rules(not_answering=NotAnsweringRule(warning_s=1.0)))
    registry.runs["storage"] = ProbeRuns(START)
    registry.adopt([other], START + MINUTE)
    assert (hub.owner, hub.evaluator.interval_s, hub.evaluator.rules) == (other, 5.0, other.rules)
    assert not hub.orphaned
    assert registry.orphans == [ANSWERS]
    assert [entry.next_evaluation for entry in registry.values()] == [None] * 3
    assert registry.seen_at(space) == registry.runs[PROBE.label].went_well_at == START
    assert list(registry.runs) == [PROBE.label]
    registry.adopt([other, replace(PROBE, label="storage")], START + MINUTE)
    assert fault.orphaned, "its probe is back, but has not brought it yet"
    renamed = replace(PROBE, label="disks", interval_s=7.0)
    assert see(registry, Condition(ANSWERS, ok=True), renamed) is fault
    assert (fault.owner, fault.evaluator.interval_s, registry.orphans) == (renamed, 7.0, [])


def test_what_is_remembered_of_runs_outlives_a_configuration(registry: SeriesRegistry) -> None:
    """The memory of a probe that stays; a new one counts from now."""
    before = registry.runs[PROBE.label]
    registry.expect([PROBE.label, "new"], START + HOUR)
    assert registry.runs[PROBE.label] is before
    assert registry.runs["new"].went_well_at == START + HOUR
    registry.expect(["new"], START + 2 * HOUR)
    assert list(registry.runs) == ["new"]


def test_only_probes_of_the_configuration_are_in_trouble(registry: SeriesRegistry) -> None:
    """A removed probe is not listed."""
    see(registry, Condition(PROBE.own_key, ok=False, reason="late"))
    assert registry.troubled_probes() == ["probe hide-hub: late"]
    registry.expect([], START)
    assert registry.troubled_probes() == []


def test_a_gap_is_left_out_of_all_that_is_measured(registry: SeriesRegistry) -> None:
    """Since when things are down, when samples came, and when probes ran well; afterwards no time is in the future."""
    entry = see(registry, Answer(HUB, answered=False))
    registry.runs[PROBE.label].stored_at = START
    now = START + HOUR + MINUTE
    registry.bridge(HOUR, now, look_again=False)
    assert registry.down == {HUB: START + HOUR}
    assert (entry.evaluator.last_at, entry.evaluator.bad_since) == (START + HOUR, START + HOUR)
    assert registry.runs[PROBE.label] == ProbeRuns(START + HOUR, None, START + HOUR)
    registry.bridge(HOUR, now, look_again=True)
    assert registry.down == {HUB: now}
    assert registry.runs[PROBE.label].went_well_at == now


def test_a_probes_own_condition_is_news_when_it_changes_or_is_an_hour_old() -> None:
    """Exactly an hour counts."""
    own = Condition(PROBE.own_key, ok=True)
    runs = ProbeRuns(START)
    assert runs.news(own, START)
    runs.stored, runs.stored_at = own, START
    assert not runs.news(own, START + OWN_REFRESH - timedelta(seconds=1))
    assert runs.news(own, START + OWN_REFRESH)
    assert runs.news(replace(own, ok=False), START)
    assert ScheduledProbe("hide-hub", 60.0, Script(()), Rules()).own_key == SeriesKey("probe hide-hub", "runs")
