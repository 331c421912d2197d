"""The whole configuration: one frozen document of tables, and `load`, which reads it.

The tables of probes and notifiers are unions by `kind`, built from the two registries of kinds, so that a new kind is
known here without a change. Not here: how a document is read and how its errors are reported (config/loading.py).
"""

from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import cache, lru_cache
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self, TypeVar, Union, get_args

from pydantic import Field, create_model, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from watchkeeper.alerting.rules import Rules
from watchkeeper.config import loading
from watchkeeper.config.environment import Environment
from watchkeeper.config.errors.locations import Place
from watchkeeper.config.errors.problems import several
from watchkeeper.config.fields import Allowed
from watchkeeper.config.paths import StoreSettings
from watchkeeper.config.plugin_kinds import UnusablePlugin
from watchkeeper.config.secrets import Secrets
from watchkeeper.config.tables.archive import ArchiveSettings
from watchkeeper.config.tables.correlation import CorrelationSettings
from watchkeeper.config.tables.heartbeat import HeartbeatSettings
from watchkeeper.config.tables.host import HostSettings
from watchkeeper.config.tables.names import NamesSettings
from watchkeeper.config.tables.reminders import RemindersSettings
from watchkeeper.config.tables.rules import RulesSettings
from watchkeeper.config.tables.sheet import SheetSettings
from watchkeeper.config.tables.stand_in import StandInSettings
from watchkeeper.config.types import NotifierSettings, ProbeSettings
from watchkeeper.errors import ConfigError, Problem
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.messages.delivery.stand_in import StandIn
from watchkeeper.messages.wording import clean
from watchkeeper.notifiers import registry as notifiers
from watchkeeper.notifiers.base import ReceiverSettings
from watchkeeper.probes import registry as probes
from watchkeeper.probes.registry import FOUND_BY_DEFAULT
from watchkeeper.web.settings import PageSettings

P = TypeVar("P", ProbeSettings, NotifierSettings)


class Settings(BaseSettings):
    """The whole configuration. An unknown key is an error, and so is an unknown variable WATCHKEEPER_...

    watch_host: monitor this host's file systems, its memory and watchkeeper itself, even if no probe names them.
    """

    model_config = SettingsConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)

    probe_types: ClassVar[Mapping[str, type[ProbeSettings]]] = {}
    notifier_types: ClassVar[Mapping[str, type[NotifierSettings]]] = {}

    watch_host: bool = True
    host: HostSettings = Field(default_factory=HostSettings)
    store: StoreSettings = Field(default_factory=dict, validate_default=True)
    page: PageSettings = Field(default_factory=PageSettings)
    rules: RulesSettings = Field(default_factory=RulesSettings)
    grouping: CorrelationSettings = Field(default_factory=CorrelationSettings)
    names: NamesSettings = Field(default_factory=NamesSettings)
    sheet: SheetSettings = Field(default_factory=SheetSettings)
    stand_in: tuple[StandInSettings, ...] = Field(default=(), max_length=20)
    reminders: RemindersSettings = Field(default_factory=RemindersSettings)
    heartbeat: HeartbeatSettings = Field(default_factory=HeartbeatSettings)
    archive: ArchiveSettings = Field(default_factory=ArchiveSettings)
    probe: tuple[ProbeSettings, ...] = ()
    notifier: tuple[NotifierSettings, ...] = ()

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,  # noqa: ARG003  it would ignore an unknown variable
        dotenv_settings: PydanticBaseSettingsSource,  # noqa: ARG003  no .env file is read
        file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003  secrets have their own sources
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Let the environment override the document."""
        return Environment(settings_cls), init_settings

    @property
    def probes(self) -> tuple[ProbeSettings, ...]:
        """Every probe to run: the host's own first, then the document's."""
        named = {each.kind for each in self.probe}
        added = FOUND_BY_DEFAULT if self.watch_host else ()
        types = {kind: self.probe_types[kind] for kind in added if kind in self.probe_types and kind not in named}
        return (*(each(kind=kind) for kind, each in types.items()), *self.probe)

    @property
    def notifiers(self) -> tuple[NotifierSettings, ...]:
        """Every notifier, in the document's order."""
        return self.notifier

    @property
    def routes(self) -> Mapping[str, Route]:
        """By notifier name: what is sent there and when."""
        zone, every = self.host.zone, self.stand_ins
        return {
            each.label: each.route(zone, tuple(one for one in every if one.notifier == each.label))
            for each in self.notifier
            if isinstance(each, ReceiverSettings)
        }

    @property
    def stand_ins(self) -> tuple[StandIn, ...]:
        """Who gets messages as well, and when."""
        address = self.page.address
        sheet = "" if address is None else f"{without_login(str(address)).rstrip('/')}/sheet"
        return tuple(each.stand_in(self.host.zone, sheet) for each in self.stand_in)

    def rules_for(self, probe: ProbeSettings) -> Rules:
        """The rules for what a probe observes: the general ones, overridden by its own."""
        return self._merged(probe).rules()

    def _merged(self, probe: ProbeSettings) -> RulesSettings:
        return probe.rules.over(self.rules.over(probe.usual_rules))

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        """Check what no single table can: names are unique, and a probe's rules agree with the general ones."""
        found = [*_taken("probe", self.probes, self.probe), *_taken("notifier", self.notifier, self.notifier)]
        found += _unknown_receivers(self.stand_in, self.notifier)
        general = dict(self.rules.disorder())
        found += [(("rules", table), what) for table, what in general.items()]
        found += [(("grouping",), what) for what in self.grouping.disorder()]
        for index, each in enumerate(self.probe):
            merged = self._merged(each).disorder()
            found += [
                (("probe", index, "rules", table), f"with the general rules, {what}")
                for table, what in merged
                if table not in general
            ]
        if found:
            raise several(found)
        return self


def _taken(table: str, every: Sequence[P], written: Sequence[P]) -> Iterator[tuple[Place, str]]:
    """Each name that an earlier table of the same sort already uses."""
    seen = {each.label for each in every if each not in written}
    for index, each in enumerate(written):
        if each.label in seen:
            yield (
                (table, index, "name"),
                f'"{each.label}" is the name of another {table} as well; give each its own name',
            )
        seen.add(each.label)


def _unknown_receivers(
    stand_ins: Sequence[StandInSettings], written: Sequence[NotifierSettings]
) -> Iterator[tuple[Place, str]]:
    """Each stand-in that names no notifier that messages can be sent to."""
    names = [each.label for each in written if isinstance(each, ReceiverSettings)]
    for index, each in enumerate(stand_ins):
        if each.notifier not in names:
            known = f"write one of: {', '.join(names)}" if names else "add it as a [[notifier]]"
            yield ("stand_in", index, "notifier"), f'there is no notifier "{clean(each.notifier, 60)}"; {known}'


def without_login(address: str) -> str:
    """The address without a user, a password or a query that it may hold."""
    scheme, _, rest = address.partition("://")
    return f"{scheme}://{rest.partition('?')[0].rpartition('@')[2]}"


def settings_model(
    probes: Iterable[type[ProbeSettings]], notifiers: Iterable[type[NotifierSettings]]
) -> type[Settings]:
    """The document's model for these kinds of probes and notifiers."""
    probe_types = {kind_of(each): each for each in probes}
    notifier_types = {kind_of(each): each for each in notifiers}
    model: type[Settings] = create_model(
        "Settings",
        __base__=Settings,
        __module__=__name__,
        probe=(_many("probe", probe_types.values()), ()),
        notifier=(_many("notifier", notifier_types.values()), ()),
    )
    model.__doc__ = Settings.__doc__
    model.probe_types, model.notifier_types = probe_types, notifier_types
    return model


def kind_of(model: type[ProbeSettings] | type[NotifierSettings]) -> str:
    """The value of `kind` that selects this model for a table."""
    (kind,) = get_args(model.model_fields["kind"].annotation)
    return str(kind)


def _many(table: str, models: Iterable[type[P]]) -> Any:  # noqa: ANN401  a type made at run time
    """The type of a list of tables, each of the model that its `kind` selects."""
    known = tuple(models)
    if not known:
        return tuple[()]
    words = Allowed(f"a table that begins with [[{table}]]", str)
    one: Any = Annotated[known[0], words]
    if len(known) > 1:
        one = Annotated[Union[known], Field(discriminator="kind"), words]  # noqa: UP007  not known before it runs
    return tuple[one, ...]


@cache
def known_model() -> type[Settings]:
    """The model for every kind that watchkeeper knows."""
    return settings_model(
        (kind.settings for kind in probes.PROBES.values()), (kind.settings for kind in notifiers.NOTIFIERS.values())
    )


def named_model(document: Mapping[str, Any]) -> type[Settings] | None:
    """The model for the kinds that a document names, and those that run by default; no other kind is imported.

    None if a table names no kind, or one that is not known.
    """
    named = _named(document.get("probe", []), probes.PROBES), _named(document.get("notifier", []), notifiers.NOTIFIERS)
    if named[0] is None or named[1] is None:
        return None
    return _model_of(frozenset(named[0] | {*FOUND_BY_DEFAULT}), frozenset(named[1]))


def _named(tables: object, known: Container[str]) -> set[str] | None:
    """The kinds that tables name; None if there is one without a known kind."""
    if not isinstance(tables, list):
        return None
    kinds = [each.get("kind") if isinstance(each, dict) else None for each in tables]
    found = {kind for kind in kinds if isinstance(kind, str) and kind in known}
    return found if all(isinstance(kind, str) and kind in found for kind in kinds) else None


@lru_cache(maxsize=1)
def _model_of(probe_kinds: frozenset[str], notifier_kinds: frozenset[str]) -> type[Settings]:
    return settings_model(
        (probes.PROBES[kind].settings for kind in sorted(probe_kinds)),
        (notifiers.NOTIFIERS[kind].settings for kind in sorted(notifier_kinds)),
    )


def read(path: Path | None = None, *, secrets: Secrets = Secrets.NEEDED) -> loading.Loaded[Settings]:
    """Read the configuration at `path`, or else at the first default path that has one; without either, use defaults.

    secrets: whether to check that each can be read. Raises ConfigError with every problem found.
    """
    document = loading.find(path)
    if (model := named_model(document.tables)) is not None:
        with suppress(ConfigError):  # the model of every kind finds the same problems, and knows what else is allowed
            return document.check(model, secrets)
    try:
        return document.check(known_model(), secrets)
    except ConfigError as error:
        raise type(error)(error.source, [_with_reason(each) for each in error.problems]) from None


def unusable_plugins() -> tuple[UnusablePlugin, ...]:
    """The kinds that installed packages name and that cannot be used."""
    return (*probes.FROM_PACKAGES.unusable, *notifiers.FROM_PACKAGES.unusable)


def _with_reason(problem: Problem) -> Problem:
    """A problem; if it is a kind that a package names and that cannot be used, it says why."""
    for each in unusable_plugins():
        at_kind = problem.place.startswith(f"{each.thing}[") and problem.place.endswith("].kind")
        if at_kind and problem.what.startswith(f'"{each.kind}" '):
            return replace(problem, what=each.why)
    return problem


def load(path: Path | None = None) -> Settings:
    """The settings of `read`, for callers that do not need to know where they came from."""
    return read(path).settings
