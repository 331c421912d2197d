"""`watchkeeper test-notifiers`: one message through each notifier, its outcome, and undeliverable messages."""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import output
from watchkeeper.cli.command_group import configured, ended, warn
from watchkeeper.cli.database import opened
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.clock import Clock
from watchkeeper.config.types import NotifierSettings
from watchkeeper.errors import DeliveryError, DeliveryRefused, StoreError
from watchkeeper.messages.build import test_message
from watchkeeper.messages.wording import clean, duration, instant
from watchkeeper.model.message import Message
from watchkeeper.model.records import Delivery, DeliveryState
from watchkeeper.notifiers.registry import make_notifier
from watchkeeper.web.api.json_forms import delivery_form

MOST_LOOKED_AT, MOST_SHOWN = 1_000, 10
"""Of what was set aside: enough to see what is wrong."""


@dataclass(frozen=True, slots=True)
class Result:
    """The outcome for the message. trouble: empty if it was delivered."""

    name: str
    kind: str
    took_s: float
    trouble: str = ""
    refused: bool = False

    @property
    def words(self) -> str:
        """The outcome in a few words."""
        if not self.trouble:
            return f"delivered in {duration(self.took_s) if self.took_s >= 1 else 'less than 1 s'}"
        return f"{'refused' if self.refused else 'not delivered'}: {self.trouble}"


@click.command()
@configured
@click.argument("names", nargs=-1, metavar="[NAME]...", help="Names of notifiers. Default: all.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with the result of each notifier.")
def test_notifiers(config: Path | None, names: tuple[str, ...], *, as_json: bool) -> None:
    """Send a test message through every notifier, or only those named, and show the results.

    The message says that it is a test. Each notifier makes one attempt; the daemon would repeat it for days.

    Undeliverable messages are listed below: a receiver refused them, or every attempt of a week failed. They are not
    sent again. The page lists the same ones.

    The object of --json: delivered (true if all were), notifiers (each with name, kind, delivered, refused, error and
    duration_s) and undeliverable (deliveries as in the API).

    \b
    watchkeeper test-notifiers
    watchkeeper test-notifiers mail

    Exit codes: 0 all were delivered, 1 at least one was not, 64 there is no such notifier.
    """  # noqa: D301  click reads \b as: keep the lines
    loaded = settings.read(config)
    for warning in loaded.warnings:
        warn(warning)
    known = loaded.settings
    chosen = choose(known.notifiers, names)
    message = test_message(known.host.label, Clock().now(), known.host.zone)
    results = asyncio.run(_send_all(chosen, message))
    aside = asyncio.run(_set_aside(known, {each.label for each in chosen}))
    if as_json:
        delivered = all(not each.trouble for each in results)
        shown = {"notifiers": [_form(r) for r in results], "undeliverable": [delivery_form(each) for each in aside]}
        output.as_json({"delivered": delivered, **shown})
    else:
        output.rows((each.name, [each.words]) for each in results)
        _show(aside, known)
    ended(Exit.NEEDS_YOU if any(each.trouble for each in results) else Exit.OK)


def choose(known: Sequence[NotifierSettings], names: Sequence[str]) -> list[NotifierSettings]:
    """The named notifiers, or all. Raises UsageError if there is none to choose, or none of that name."""
    if not known:
        raise click.UsageError("the configuration has no [[notifier]]; add one, then try again")
    labels = {each.label: each for each in known}
    for name in names:
        if name not in labels:
            raise click.UsageError(f'there is no notifier "{clean(name)}"; known: {", ".join(labels)}')
    return [labels[name] for name in dict.fromkeys(names)] if names else list(known)


async def _send_all(chosen: Sequence[NotifierSettings], message: Message) -> list[Result]:
    return await asyncio.gather(*(_send(each, message) for each in chosen))


async def _send(each: NotifierSettings, message: Message) -> Result:
    clock = Clock()
    began_s = clock.monotonic_s()
    notifier = make_notifier(each, clock)
    trouble, refused = "", False
    try:
        await notifier.deliver(message)
    except DeliveryError as error:
        trouble, refused = str(error) or "no reason was given", isinstance(error, DeliveryRefused)
    finally:
        await notifier.close()
    return Result(each.label, each.kind, clock.monotonic_s() - began_s, trouble, refused)


async def _set_aside(known: settings.Settings, names: set[str]) -> list[Delivery]:
    """What these notifiers could not deliver, the newest first; nothing if there is no database to read."""
    try:
        async with opened(known) as store:
            deliveries = await store.deliveries(only_open=True, limit=MOST_LOOKED_AT)
    except StoreError:
        return []
    return [each for each in deliveries if each.state is DeliveryState.SET_ASIDE and each.notifier in names]


def _show(aside: Sequence[Delivery], known: settings.Settings) -> None:
    if not aside:
        return
    now, zone = Clock().now(), known.host.zone
    output.blank()
    output.heading("Undeliverable messages")
    output.rows(
        (instant(each.made_at, zone, now), [f"{each.notifier}: {each.message.headline}", each.trouble])
        for each in aside[:MOST_SHOWN]
    )
    if len(aside) > MOST_SHOWN:
        output.paragraph(f"{len(aside) - MOST_SHOWN} more are not listed; see `watchkeeper events --entry delivery`.")


def _form(result: Result) -> dict[str, object]:
    return {
        "name": result.name,
        "kind": result.kind,
        "delivered": not result.trouble,
        "refused": result.refused,
        "error": result.trouble,
        "duration_s": round(result.took_s, 3),
    }
