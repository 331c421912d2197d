"""The templates and what they may call: times in the host's zone, links, commands within advice. Escapes everything."""

import re
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from aiohttp import web
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from watchkeeper.messages.wording import clean, day, instant, zone_name
from watchkeeper.model.alert import Priority
from watchkeeper.web.context import Context

_COMMAND = re.compile("`([^`]+)`")


def commands(text: str) -> Markup:
    """Text with the parts between backticks marked as commands."""
    return Markup().join(
        Markup("<code>{}</code>").format(part) if i % 2 else escape(part) for i, part in enumerate(_COMMAND.split(text))
    )


def cones(priority: Priority) -> Markup:
    """The priority's shape: one, two or three cones, which are defined at the top of the page."""
    drawn = '<svg class="cones p{0}" width="1rem" height="1.43rem" aria-hidden="true"><use href="#c{0}"/></svg>'
    return Markup(drawn).format(priority.value)  # noqa: S704  a constant, filled in by format, which escapes


def capitalize_first(text: str) -> str:
    """A phrase as the start of a sentence; the rest keeps its capitals, unlike with str.capitalize."""
    return text[:1].upper() + text[1:]


ENVIRONMENT = Environment(
    loader=PackageLoader("watchkeeper.web"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
)
ENVIRONMENT.filters.update(commands=commands, cones=cones, clean=clean, capitalize_first=capitalize_first)


@dataclass(frozen=True, slots=True)
class Times:
    """Formats times for one page: as text in the host's zone, with the machine-readable form beside it."""

    now: datetime
    zone: tzinfo

    def when(self, at: datetime) -> Markup:
        """`Fri 27 Nov 14:05`."""
        return self._time(at, instant(at, self.zone, self.now))

    def day(self, at: datetime) -> str:
        """`Fri 27 Nov`."""
        return day(at, self.zone, self.now)

    def clock(self, at: datetime) -> Markup:
        """`14:05`."""
        return self._time(at, f"{at.astimezone(self.zone):%H:%M}")

    def zone_name(self) -> str:
        """The zone's name."""
        return zone_name(self.now, self.zone)

    def _time(self, at: datetime, words: str) -> Markup:
        stamp = at.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        return Markup('<time datetime="{}">{}</time>').format(stamp, words)


def render(name: str, context: Context, now: datetime, *, status: int = 200, **values: object) -> web.Response:
    """A page rendered from a template. A value as_json is the path of its JSON form below /api/v1/."""
    shared = {
        "host": clean(context.host, 60),
        "prefix": context.prefix,
        "times": Times(now, context.zone),
        "as_json": "",
    }
    html = ENVIRONMENT.get_template(name).render(shared | values)
    return web.Response(status=status, body=html.encode("utf-8", "replace"), content_type="text/html", charset="utf-8")
