"""Hours, digests and reminders as the configuration has them."""

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from watchkeeper import settings
from watchkeeper.config.tables.reminders import RemindersSettings
from watchkeeper.errors import ConfigError
from watchkeeper.messages.delivery.quiet_hours import parse_due, parse_span
from watchkeeper.messages.reminders import Reminders
from watchkeeper.model.alert import Priority
from watchkeeper.notifiers.command import CommandSettings

HOOK = '[[notifier]]\nkind = "webhook"\nurl = "http://127.0.0.1/"\n'


def read(folder: Path, text: str) -> settings.Settings:
    """What a document becomes."""
    path = folder / "config.toml"
    path.write_text(text)
    return settings.load(path)


def test_a_route(tmp_path: Path) -> None:
    """Each notifier's keys are its route, in the zone of the host."""
    keys = 'at_least = "warning"\nquiet_hours = ["22:00-07:00"]\nquiet_for = "warning"\ndigest = "Mon 07:30"\n'
    found = read(tmp_path, f'[host]\ntime_zone = "Europe/Berlin"\n{HOOK}{keys}').routes["webhook"]
    assert (found.at_least, found.quiet_for, found.zone) == (
        Priority.WARNING,
        Priority.WARNING,
        ZoneInfo("Europe/Berlin"),
    )
    assert (found.quiet, found.digest) == ((parse_span("22:00-07:00"),), parse_due("Mon 07:30"))


def test_what_is_default(tmp_path: Path) -> None:
    """No quiet hours, no digest; an alarm is sent again after an hour, a warning after a day."""
    found = read(tmp_path, f'{HOOK}digest = "never"\n')
    assert (found.routes["webhook"].quiet, found.routes["webhook"].digest) == ((), None)
    assert found.reminders.plan() == Reminders({Priority.WARNING: 86_400.0, Priority.ALARM: 3_600.0}, 604_800.0)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('quiet_hours = ["22-7"]', '"22-7" is not a span of hours; write one such as "22:00-07:00"'),
        ('quiet_hours = ["00:00-24:00"]', "covers the whole week"),
        ("quiet_hours = [7]", "not a span of hours"),
        ('quiet_for = "alarm"', "an alarm never waits"),
        ('digest = "daily"', '"daily" is not a time of day; write one such as "07:30"'),
        ("digest = 7", "not a time of day"),
    ],
)
def test_what_cannot_be_used(tmp_path: Path, line: str, said: str) -> None:
    """What is wrong and what is allowed."""
    with pytest.raises(ConfigError) as raised:
        read(tmp_path, f"{HOOK}{line}\n")
    assert said in str(raised.value)


def test_values_that_are_read_already() -> None:
    """A model can be made from values too."""
    span, due = parse_span("22:00-07:00"), parse_due("07:30")
    keys = {"kind": "command", "run": ["/bin/true"], "quiet_hours": (span,), "digest": due}
    assert CommandSettings.model_validate(keys).route(ZoneInfo("UTC")).quiet == (span,)
    assert CommandSettings.model_validate(keys | {"digest": None}).digest is None
    made = RemindersSettings(caution=60.0, warning=None)
    assert set(made.plan().first_s) == {Priority.CAUTION, Priority.ALARM}
