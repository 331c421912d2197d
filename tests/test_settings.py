"""The whole document: what runs without any configuration, whose rules count, and which kinds it knows."""

import os
from pathlib import Path

import pytest
from pydantic import ValidationError

from tests.support.document import MODEL, HideProbe, NestProbe
from watchkeeper import settings
from watchkeeper.config import loading
from watchkeeper.config.secrets import Secrets
from watchkeeper.config.tables.rules import RulesSettings
from watchkeeper.errors import ConfigError
from watchkeeper.notifiers.registry import NOTIFIERS
from watchkeeper.probes.registry import FOUND_BY_DEFAULT, PROBES


@pytest.fixture(autouse=True)
def quiet_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No variable that watchkeeper reads, and no configuration at a default place."""
    for name in [*os.environ]:
        if name.startswith(("WATCHKEEPER_", "XDG_")) or name in ("STATE_DIRECTORY", "CREDENTIALS_DIRECTORY"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("HOME", str(tmp_path))


def test_without_configuration_the_host_is_watched() -> None:
    """The kinds that need no word of the operator's run by themselves."""
    assert tuple(each.kind for each in settings.known_model()().probes) == FOUND_BY_DEFAULT


def test_a_kind_that_the_document_names_is_not_added_once_more() -> None:
    """The document's own settings of a kind are the ones that count."""
    own = {"kind": "memory", "name": "gannet's memory", "every": "5m"}
    found = settings.known_model()(probe=[own]).probes
    assert [(each.label, each.every) for each in found if each.kind == "memory"] == [("gannet's memory", 300)]
    assert {each.kind for each in found} == set(FOUND_BY_DEFAULT)


def test_the_host_can_be_left_alone() -> None:
    """watch_host = false leaves what the document names."""
    assert settings.known_model()(watch_host=False).probes == ()


def test_a_name_that_watch_host_uses_cannot_be_given_to_another_probe() -> None:
    """A service called `memory` would share its alerts with the memory."""
    own = {"kind": "http", "name": "memory", "url": "http://127.0.0.1/"}
    with pytest.raises(ValidationError, match="1 places"):
        settings.known_model()(probe=[own])
    assert settings.known_model()(probe=[own], watch_host=False).probes[0].label == "memory"


def test_a_probes_rules_go_on_top_of_the_general_ones() -> None:
    """What a probe sets counts for it alone."""
    general = RulesSettings.model_validate({"full": {"alarm": "2d"}})
    found = MODEL(probe=[{"kind": "nest", "rules": {"full": {"warning": "10d"}}}], rules=general)
    rules = found.rules_for(found.probe[0])
    assert (rules.full.alarm_s, rules.full.warning_s, rules.full.caution_s) == (2 * 86_400, 10 * 86_400, 30 * 86_400)
    assert general.rules().full.warning_s == 7 * 86_400


def test_a_kinds_usual_rules_give_way_to_what_the_configuration_sets() -> None:
    """Of memory there is no caution by itself; one that is set, for all or for the probe, counts."""
    memory: dict[str, object] = {"kind": "memory"}

    def caution_s(rules: dict[str, object], own: dict[str, object]) -> float | None:
        found = settings.known_model()(probe=[memory | own], rules=rules, watch_host=False)
        return found.rules_for(found.probe[0]).full.caution_s

    assert caution_s({}, {}) is None
    assert caution_s({"full": {"warning": "6d"}}, {}) is None
    assert caution_s({"full": {"caution": "14d"}}, {}) == 14 * 86_400
    assert caution_s({}, {"rules": {"full": {"caution": "20d"}}}) == 20 * 86_400


def test_every_kind_of_the_tables_is_known() -> None:
    """A new line in a table of kinds is all that a new kind needs."""
    model = settings.known_model()
    assert {*model.probe_types} == {*PROBES}
    assert {*model.notifier_types} == {*NOTIFIERS}


def test_kinds_can_come_from_elsewhere() -> None:
    """The model is made from any kinds, one or none of them too."""
    model = settings.settings_model([NestProbe], [])
    assert model(probe=[{"kind": "nest"}]).probes[0].kind == "nest"
    with pytest.raises(ValidationError):
        model(notifier=[{"kind": "bell"}])
    assert settings.kind_of(HideProbe) == "hide"


def test_load_reads_a_file(tmp_path: Path) -> None:
    """The short way to the settings of a file."""
    path = tmp_path / "gannet.toml"
    path.write_text('[host]\nname = "gannet"\n[[notifier]]\nkind = "webhook"\nurl = "http://127.0.0.1:1/"')
    found = settings.load(path)
    assert found.host.label == "gannet"
    assert [each.kind for each in found.notifiers] == ["webhook"]


def test_load_tells_every_problem(tmp_path: Path) -> None:
    """With the models of the real kinds as with those of the tests."""
    path = tmp_path / "gannet.toml"
    path.write_text('[[probe]]\nkind = "htpp"\n[[notifier]]\nkind = "male"')
    with pytest.raises(ConfigError) as caught:
        settings.load(path)
    assert [each.place for each in caught.value.problems] == ["probe[1].kind", "notifier[1].kind"]


def test_a_document_needs_only_the_kinds_that_it_names() -> None:
    """And those that run by default; their models are the same as in the model of every kind."""
    document = {"probe": [{"kind": "http", "name": "hide-hub"}], "notifier": [{"kind": "command"}]}
    model = settings.named_model(document)
    assert model is not None
    assert {*model.probe_types} == {*FOUND_BY_DEFAULT, "http"}
    assert {*model.notifier_types} == {"command"}
    assert model.probe_types["http"] is settings.known_model().probe_types["http"]


@pytest.mark.parametrize(
    "document",
    [
        {"probe": [{"kind": "htpp"}]},
        {"probe": [{"kind": ["http"]}]},
        {"probe": [{"name": "hide-hub"}]},
        {"probe": ["http"]},
        {"probe": {"kind": "http"}},
        {"notifier": [{"kind": "bell"}]},
    ],
)
def test_a_document_that_names_no_kind_needs_all(document: dict[str, object]) -> None:
    """Its errors say which kinds there are."""
    assert settings.named_model(document) is None


def test_errors_are_those_of_the_model_of_every_kind(tmp_path: Path) -> None:
    """Whatever a document names, the same problems are reported."""
    path = tmp_path / "gannet.toml"
    path.write_text('[[probe]]\nkind = "memory"\nevry = "1m"\n[pages]\n[[notifier]]\nkind = "command"')
    with pytest.raises(ConfigError) as caught:
        settings.load(path)
    with pytest.raises(ConfigError) as every:
        loading.load(settings.known_model(), path, secrets=Secrets.NEEDED)
    assert caught.value.problems == every.value.problems


@pytest.mark.parametrize(
    ("written", "place", "said"),
    [
        ('["you"]', "to[1]", '"you" is not a mail address'),
        ('"you@example.org"', "to", "write a list"),
        ("[]", "to", "not allowed"),
    ],
)
def test_a_wrong_entry_of_a_list_is_one_problem(tmp_path: Path, written: str, place: str, said: str) -> None:
    """That a list must be a list is no help to who wrote one; a text or an empty list still hears it."""
    path = tmp_path / "config.toml"
    table = 'kind = "mail"\nserver = "127.0.0.1"\nsecurity = "none"\nfrom = "gannet@example.org"'
    path.write_text(f"[[notifier]]\n{table}\nto = {written}\n")
    with pytest.raises(ConfigError) as error:
        settings.read(path)
    (problem,) = error.value.problems
    assert problem.place == f"notifier[1].{place}"
    assert said in problem.what
