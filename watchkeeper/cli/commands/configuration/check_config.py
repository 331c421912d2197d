"""`watchkeeper check-config`: what a configuration means, or every problem if it cannot be used."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from watchkeeper import settings
from watchkeeper.cli import output
from watchkeeper.cli.command_group import configured, ended, warn
from watchkeeper.cli.commands.configuration.unmatched import unmatched
from watchkeeper.cli.config_schema import document
from watchkeeper.cli.database import place
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.clock import Clock
from watchkeeper.config.errors import describe_types
from watchkeeper.config.errors.locations import is_secret
from watchkeeper.config.errors.problems import without_secrets
from watchkeeper.config.loading import NO_FILE, Loaded
from watchkeeper.config.secrets import Secrets
from watchkeeper.config.types import NotifierSettings, ProbeSettings
from watchkeeper.errors import ConfigError
from watchkeeper.messages.delivery import stand_in
from watchkeeper.model.units import format_duration
from watchkeeper.web.api.json_forms import stand_ins_form
from watchkeeper.web.settings import PageSettings

_SHOWN_APART = frozenset({"kind", "name", "every", "timeout"})
"""Keys that the first line about a probe or notifier says already, or that say nothing of what is watched."""


@click.command()
@configured
@click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON object: the configuration, problems and warnings."
)
@click.option("--schema", is_flag=True, help="Print the JSON Schema of the configuration, for editors; reads no file.")
def check_config(config: Path | None, *, as_json: bool, schema: bool) -> None:
    """Check the configuration; show what is monitored and who is notified. Starts nothing.

    Secrets are read once to make sure that they can be read; they are never shown.

    The object of --json: source (null without a file), usable, problems (each with place, line, of, what) and warnings;
    if it can be used, also host, time_zone, store, page, probes (each with name, kind, every_s, timeout_s), stand_ins
    (each with notifier, since, until, at_least, note) and notifiers (each with name, kind).

    --schema is for editors that know JSON Schema (draft 2020-12): they complete keys and mark errors. The schema has
    every key with its values and its default. What must be consistent between keys is checked only by this command.

    \b
    watchkeeper check-config
    watchkeeper --config hide-hub.toml check-config --json
    watchkeeper check-config --schema > watchkeeper.schema.json

    Exit codes: 0 it can be used, 78 it cannot.
    """  # noqa: D301  click reads \b as: keep the lines
    if schema:
        click.echo(json.dumps(document(settings.known_model()), ensure_ascii=False, allow_nan=False, indent=2))
        return
    try:
        loaded = settings.read(config, secrets=Secrets.LOOKED_AT)
    except ConfigError as error:
        if not as_json:
            raise
        output.as_json(_problems(error))
        ended(Exit.CONFIG)
    if as_json:
        output.as_json(_form(loaded))
        return
    for warning in _warnings(loaded):
        warn(warning)
    show(loaded)


def _problems(error: ConfigError) -> dict[str, object]:
    problems = [
        {"place": each.place, "line": each.line or None, "of": each.of, "what": each.what} for each in error.problems
    ]
    source = None if error.source == NO_FILE else error.source
    return {"source": source, "usable": False, "problems": problems, "warnings": []}


def _warnings(loaded: Loaded[settings.Settings]) -> list[str]:
    page = _page_warnings(loaded.settings.page)
    return [*loaded.warnings, *map(str, settings.unusable_plugins()), *page, *unmatched(loaded.settings)]


def _page_warnings(page: PageSettings) -> Iterator[str]:
    """What surprises those who open the page to their network."""
    if page.listen in {"0.0.0.0", "::"}:  # noqa: S104  this compares
        yield (
            f'page: listen "{page.listen}" serves the page without TLS on every network, and the password can be read '
            "there; a tunnel or a proxy with TLS is safer (manual: web-interface)"
        )
        if not page.hosts:
            yield (
                "page: hosts is not set, so the page answers to localhost alone; list the names and addresses that you "
                'type into a browser, such as hosts = ["192.0.2.7"]'
            )


def _form(loaded: Loaded[settings.Settings]) -> dict[str, object]:
    known = loaded.settings
    probes = [
        {"name": each.label, "kind": each.kind, "every_s": each.every, "timeout_s": each.timeout}
        for each in known.probes
    ]
    return {
        "source": str(loaded.path) if loaded.path else None,
        "usable": True,
        "problems": [],
        "warnings": _warnings(loaded),
        "host": known.host.label,
        "time_zone": str(known.host.zone),
        "store": str(place(known)),
        "page": {"listen": known.page.listen, "port": known.page.port},
        "probes": probes,
        "stand_ins": stand_ins_form(known.stand_ins, Clock().now()),
        "notifiers": [{"name": each.label, "kind": each.kind} for each in known.notifiers],
    }


def show(loaded: Loaded[settings.Settings]) -> None:
    """Print what the configuration means."""
    known = loaded.settings
    click.echo(
        f"{loaded.path} can be used." if loaded.path else "There is no configuration file; the defaults are used."
    )
    output.blank()
    output.rows(
        [
            ("host", [f"{known.host.label}, times in {known.host.zone}"]),
            ("database", [str(place(known))]),
            ("page", [f"{known.page.listen}, {f'port {known.page.port}' if known.page.port else 'any free port'}"]),
        ]
    )
    output.blank()
    output.heading("Monitored")
    output.rows((each.label, list(_probe(each, known))) for each in known.probes)
    output.blank()
    output.heading("Notified")
    output.rows((each.label, list(_notifier(each))) for each in known.notifiers)
    if not known.notifiers:
        output.rows(
            [("nobody", ["There is no [[notifier]]; alerts are only on the page and in `watchkeeper status`."])]
        )
    _away(known)
    if not known.probes:
        warn("nothing is monitored: watch_host is false and there is no [[probe]]")


def _away(known: settings.Settings) -> None:
    """Who gets messages as well while the operator is away; those whose time is over are marked."""
    if known.stand_ins:
        now, zone = Clock().now(), known.host.zone
        over = [each for each in known.stand_ins if each.end_at <= now]
        output.blank()
        output.heading("Stands in for you")
        output.rows(("", [stand_in.line(each, zone, now)]) for each in stand_in.ahead(known.stand_ins, now))
        output.rows(("", [f"{stand_in.line(each, zone, now)} (over)"]) for each in over)


def _probe(each: ProbeSettings, known: settings.Settings) -> Iterator[str]:
    added = "" if any(each is one for one in known.probe) else ", because of watch_host"
    yield f"{each.kind}, every {format_duration(each.every)}{added}"
    yield from _set(each)


def _notifier(each: NotifierSettings) -> Iterator[str]:
    yield each.kind
    yield from _set(each)


def _set(each: ProbeSettings | NotifierSettings) -> Iterator[str]:
    """What the document sets, as it is written there; for a secret only where it is read from."""
    for name, field in type(each).model_fields.items():
        if name not in each.model_fields_set or name in _SHOWN_APART:
            continue
        key, value = describe_types.key_of(name, field), getattr(each, name)
        if is_secret(key, value):
            yield f"{key}: {_source(value)}"
        elif name == "rules":
            yield f"own rules: {', '.join(sorted(value.model_fields_set))}"
        else:
            yield f"{key} = {without_secrets(describe_types.written(value, describe_types.annotation_of(field)))}"


def _source(value: Any) -> str:  # noqa: ANN401  any secret
    return f"from {value.path}" if hasattr(value, "path") else "set"
