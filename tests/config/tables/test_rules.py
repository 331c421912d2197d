"""The rules tables build the rules of alerting/rules.py, general ones and a probe's own on top."""

from dataclasses import fields

import pytest

from watchkeeper.alerting import rules
from watchkeeper.config.tables.rules import RulesSettings
from watchkeeper.model.alert import Concern, Delays, Priority
from watchkeeper.model.chattering import Chattering


def test_without_a_word_the_rules_are_the_defaults() -> None:
    """The defaults are in one place."""
    assert RulesSettings().rules() == rules.Rules()


def test_every_part_of_a_rule_can_be_set() -> None:
    """A part of a rule that the configuration does not know could not be changed."""
    for concern in fields(rules.Rules):
        rule = getattr(rules.Rules(), concern.name)
        parts = {part.name for part in fields(rule)}
        if "delays" in parts:  # chattering is set once for the delays of all
            parts = parts - {"delays"} | {part.name for part in fields(Delays)} - {"chattering"}
        table = type(getattr(RulesSettings(), concern.name))
        assert {part.removesuffix("_s") for part in parts} == set(table.model_fields)


def test_every_key_reaches_its_rule() -> None:
    """Values that differ from all defaults come out where they belong."""
    found = RulesSettings.model_validate(
        {
            "full": {
                "caution": "9d",
                "warning": "8d",
                "alarm": "never",
                "deadband": 0.5,
                "min_history": 0.1,
                "on_delay": "1m",
            },
            "overdue": {"late_caution": 0.1, "late_warning": 0.2, "late_alarm": 0.3, "ahead_caution": "never"},
            "not_answering": {"caution": "1s", "warning": "2s", "alarm": "3s", "off_delay": "4s", "escalate": "5h"},
            "chattering": {"raises": 5, "within": "6m", "calm": "7m"},
            "faulty": {"priority": "never", "failed_priority": "Caution"},
            "not_reporting": {"intervals": 7, "priority": "alarm"},
        }
    ).rules()
    day_s = 86_400
    full_off_s = rules.FullRule().delays.off_delay_s
    assert found.full == rules.FullRule(9 * day_s, 8 * day_s, None, 0.5, min_history=0.1, delays=Delays(60, full_off_s))
    assert found.overdue == rules.OverdueRule(0.1, 0.2, 0.3, None)
    assert found.not_answering == rules.NotAnsweringRule(1, 2, 3, Delays(0, 4, 5 * 3_600))
    assert found.chattering == Chattering(5, 6 * 60, 7 * 60)
    assert found.delays(Concern.NOT_ANSWERING) == Delays(0, 4, 5 * 3_600, found.chattering)
    assert found.faulty == rules.FaultyRule(None, Priority.CAUTION)
    assert found.not_reporting == rules.NotReportingRule(7, Priority.ALARM)


def test_a_probes_rules_change_only_what_they_name() -> None:
    """What a probe does not set comes from the general rules, and what those do not set from the defaults."""
    general = RulesSettings.model_validate(
        {"full": {"caution": "60d", "warning": "9d"}, "not_reporting": {"intervals": 5}}
    )
    own = RulesSettings.model_validate({"full": {"warning": "40d"}, "not_answering": {"alarm": "never"}})
    found = own.over(general).rules()
    assert (found.full.caution_s, found.full.warning_s, found.full.alarm_s) == (60 * 86_400, 40 * 86_400, 86_400)
    assert found.not_answering.alarm_s is None
    assert found.not_reporting.intervals == 5


def test_limits_that_are_equal_or_switched_off_are_in_order() -> None:
    """An alarm at once is an alarm without a warning; nothing is wrong with that."""
    tables = {
        "full": {"caution": "never", "warning": "2d", "alarm": "2d"},
        "not_answering": {"warning": "0s", "alarm": 0},
    }
    assert list(RulesSettings.model_validate(tables).disorder()) == []


def test_a_limit_out_of_order_is_found_past_one_that_is_switched_off() -> None:
    """Never in the middle does not hide that the ends are the wrong way round."""
    tables = {"full": {"caution": "1d", "warning": "never", "alarm": "2d"}}
    assert list(RulesSettings.model_validate(tables).disorder()) == [
        ("full", "alarm is more than caution; the more urgent, the less time is left: caution >= warning >= alarm")
    ]


@pytest.mark.parametrize("word", ["never", "NEVER", " never "])
def test_never_is_read_in_any_case(word: str) -> None:
    """A word is a word."""
    found = RulesSettings.model_validate({"not_answering": {"alarm": word}, "not_reporting": {"priority": word}})
    assert found.not_answering.alarm is None
    assert found.not_reporting.priority is None
