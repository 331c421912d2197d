"""Finds the kinds of probes and notifiers that other packages provide, by their entry points.

An entry point's name is the kind. A package that cannot be used costs its own kinds and nothing else. Its code runs
with the daemon's own rights. Not here: what holds an instance to its contract (plugins.py of probes and notifiers).
"""

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Generic, Protocol, TypeVar, get_args

from watchkeeper.config.types import NotifierSettings, ProbeSettings
from watchkeeper.logs.fields import Event
from watchkeeper.messages.wording import clean


class AnyKind(Protocol):
    """A kind of probe or of notifier."""

    @property
    def settings(self) -> type[ProbeSettings] | type[NotifierSettings]:
        """The model of its settings."""
        ...


K = TypeVar("K", bound=AnyKind)


@dataclass(frozen=True, slots=True)
class PluginGroup(Generic[K]):
    """One group of entry points. name: of the group. thing: what its kinds are kinds of, and their table.

    kind, settings: the classes that an entry point and its settings must be of. checked: the kind whose instances are
    held to the contract. event: what is logged for one that cannot be used.
    """

    name: str
    thing: str
    kind: type[K]
    settings: type[ProbeSettings] | type[NotifierSettings]
    checked: Callable[[K], K]
    event: Event


@dataclass(frozen=True, slots=True)
class UnusablePlugin:
    """An entry point that cannot be used. why: one line that can be shown as it is."""

    thing: str
    kind: str
    why: str
    event: Event

    def __str__(self) -> str:
        return self.why


@dataclass(frozen=True, slots=True)
class FoundPlugins(Generic[K]):
    """What other packages provide: the kinds that can be used, and the entry points that cannot."""

    kinds: dict[str, K]
    unusable: tuple[UnusablePlugin, ...]


class NotUsable(Exception):
    """An entry point does not lead to a kind; the text says why."""


def find(group: PluginGroup[K], taken: Collection[str], points: Iterable[EntryPoint] | None = None) -> FoundPlugins[K]:
    """The kinds that installed packages provide. taken: kinds that exist already and cannot be replaced."""
    kinds: dict[str, K] = {}
    unusable = []
    for point in entry_points(group=group.name) if points is None else points:
        try:
            if point.name in taken or point.name in kinds:
                raise NotUsable(f"this kind of {group.thing} exists already; rename the entry point")
            kinds[point.name] = _load(group, point)
        except NotUsable as error:
            package = clean(point.dist.name) if point.dist else "an unknown package"
            why = f"{group.thing} {clean(point.name)!r} of {package} cannot be used: {error}"
            unusable.append(UnusablePlugin(group.thing, point.name, why, group.event))
    return FoundPlugins(kinds, tuple(unusable))


def _load(group: PluginGroup[K], point: EntryPoint) -> K:
    """Import what an entry point leads to."""
    try:
        loaded = point.load()
    except (Exception, SystemExit) as error:  # a module of another package may raise anything, or call sys.exit
        raise NotUsable(clean(f"{point.value} fails with {type(error).__name__}: {error}")) from error
    if not isinstance(loaded, group.kind):
        raise NotUsable(f"{point.value} is not a watchkeeper.plugin.{group.kind.__name__}")
    _check_settings(group, loaded.settings, point.name)
    return group.checked(loaded)


def _check_settings(group: PluginGroup[K], model: object, kind: str) -> None:
    """Raise NotUsable if the configuration cannot have tables of this model."""
    if not (isinstance(model, type) and issubclass(model, group.settings)):
        raise NotUsable(f"its settings are not a model that inherits watchkeeper.plugin.{group.settings.__name__}")
    if get_args(model.model_fields["kind"].annotation) != (kind,):
        raise NotUsable(f'its settings must have the field: kind: Literal["{kind}"] = "{kind}"')
    try:
        model.model_rebuild()
    except Exception as error:  # an annotation that names something unknown is found only here
        raise NotUsable(clean(f"its settings fail with {type(error).__name__}: {error}")) from error
