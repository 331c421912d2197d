"""The event log as an Atom feed (RFC 4287). Pure: records to bytes.

Ids are derived from what an entry is about and never change (4.2.6); all external text is stripped of what XML cannot
carry. Not here: routes and the store (handlers.py).
"""

import uuid
from collections.abc import Sequence
from datetime import UTC, datetime
from xml.etree import ElementTree as ET

from watchkeeper import __version__
from watchkeeper.messages.build import thread_id
from watchkeeper.messages.wording import clean
from watchkeeper.model.records import EventLine

MEDIA = "application/atom+xml"
NAMESPACE = "http://www.w3.org/2005/Atom"

_BEFORE_ALL = datetime(1970, 1, 1, tzinfo=UTC)
"""The time of the last change of an empty event log, because an Atom feed must state one."""

_FIRST_NAME = "journal"
"""The feed's name in 0.1.0, part of every id: with another one, readers would show each event again as new."""


def feed(lines: Sequence[EventLine], host: str, prefix: str, path: str = "/events.atom") -> bytes:
    """The feed of these events, newest first. prefix: of links to this site. path: where the feed itself is."""
    name = clean(host, 60)
    root = ET.Element("feed", xmlns=NAMESPACE)
    _text(root, "id", _urn(host, _FIRST_NAME))
    _text(root, "title", f"Events on {name}")
    _text(root, "updated", _stamp(max((line.at for line in lines), default=_BEFORE_ALL)))
    _text(ET.SubElement(root, "author"), "name", f"watchkeeper on {name}")
    ET.SubElement(root, "link", rel="self", type=MEDIA, href=f"{prefix}{path}")
    ET.SubElement(root, "link", rel="alternate", type="text/html", href=f"{prefix}/events")
    ET.SubElement(root, "generator", version=__version__).text = "watchkeeper"
    for line in lines:
        _entry(root, line, host, prefix)
    content: bytes = ET.tostring(root, encoding="utf-8")
    return b'<?xml version="1.0" encoding="utf-8"?>\n' + content + b"\n"


def _entry(root: ET.Element, line: EventLine, host: str, prefix: str) -> None:
    entry = ET.SubElement(root, "entry")
    _text(entry, "id", _urn(host, _FIRST_NAME, str(line.id), line.at.isoformat()))
    _text(entry, "title", clean(line.text) or line.entry.value)
    _text(entry, "updated", _stamp(line.at))
    ET.SubElement(entry, "link", rel="alternate", type="text/html", href=f"{prefix}/events?before={line.id + 1}")
    ET.SubElement(entry, "category", term=line.entry.value)
    details = [f"{clean(name, 60)}: {clean(value, 400)}" for name, value in line.details.items()]
    about = [f"about: {clean(str(line.key))}"] if line.key else []
    _text(entry, "content", "\n".join([clean(line.text, 600), *about, *details]), type="text")


def _text(parent: ET.Element, tag: str, text: str, **attributes: str) -> None:
    ET.SubElement(parent, tag, attributes).text = text


def _urn(*parts: str) -> str:
    """An id that never changes, wherever the page is served (RFC 9562 4)."""
    return uuid.UUID(thread_id(*parts)).urn


def _stamp(at: datetime) -> str:
    """RFC 3339 in UTC (RFC 4287 3.3)."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
