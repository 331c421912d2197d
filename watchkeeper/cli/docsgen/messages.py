"""Every kind of message with a generated example, and the event that a webhook receives, as Markdown."""

import json
from collections.abc import Iterator
from inspect import cleandoc

from watchkeeper.cli.docsgen.examples import NOW, ZONE, examples
from watchkeeper.messages.wording import zone_name
from watchkeeper.model.message import Message
from watchkeeper.notifiers.cloudevent import CONTENT_TYPE, as_event, event_type

OPENING = (
    "One change of an alert is one message. Its headline is the subject of a mail and the `headline` of an event; the "
    "text below it is the mail's and the `body`. The examples are what the code makes of a day at the station; the "
    f"instant of the first is {NOW.isoformat()}, and its times are shown in {zone_name(NOW, ZONE)}."
)


def markdown() -> str:
    """The whole chapter."""
    return "\n".join(_markdown()).rstrip()


def _markdown() -> Iterator[str]:
    shown = list(examples())
    yield from (OPENING, "", "| message | when | type of the event |", "|---|---|---|")
    for title, when, each in shown:
        anchor = "-".join(title.lower().split())
        yield f"| [{title}](#{anchor}) | {when} | `{event_type(each)}` |"
    yield ""
    for title, when, each in shown:
        yield from (f"## {title}", "", when, "", "```", each.headline, "", *each.body.rstrip().split("\n"), "```", "")
    yield from _event(shown[0][2])


def _event(first: Message) -> Iterator[str]:
    """The first message as a webhook receives it, and what each field is."""
    yield from ("## As an event", "", f"The first of them as a webhook gets it (`{CONTENT_TYPE}`):", "")
    yield from ("```json", json.dumps(as_event(first), indent=2, ensure_ascii=False), "```", "")
    yield from ("What the fields of `data` are, in the words of the code:", "", "```", *_fields(), "```", "")


def _fields() -> list[str]:
    return cleandoc(Message.__doc__ or "").split("\n\n", 1)[1].split("\n")
