"""Write SVG as text: elements, numbers, escaping. Knows nothing of charts.

Attributes are presentation attributes and classes only: the page's content policy refuses style attributes.
"""

import re
from collections.abc import Iterable, Mapping
from html import escape

_UNFIT = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What no XML document may contain, not even escaped (XML 1.0, production 2)."""


def number(value: float) -> str:
    """A coordinate with at most one decimal; a tenth of a pixel is finer than any screen shows."""
    text = f"{value:.1f}"
    text = text.removesuffix(".0")
    return "0" if text == "-0" else text


def safe(text: str) -> str:
    """Text as XML may contain it: escaped, and what XML forbids replaced by U+FFFD."""
    return escape(_UNFIT.sub("\ufffd", text), quote=True)


def element(name: str, *children: str, **attributes: str | float | None) -> str:
    """One element. Children are markup already; attributes are escaped here, `_` becomes `-`, None is left out.

    A trailing underscore avoids Python's keywords: class_="x" is class="x".
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{safe(value) if isinstance(value, str) else number(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    inner = "".join(children)
    return f"<{name}{written}>{inner}</{name}>" if inner else f"<{name}{written}/>"


def words(text: str, x: float, y: float, **attributes: str | float | None) -> str:
    """A line of text at a position."""
    return element("text", safe(text), x=x, y=y, **attributes)


def path(points: Iterable[tuple[float, float]], *, close: bool = False) -> str:
    """Path data through points, rounded to tenths."""
    data = " ".join(f"{'L' if i else 'M'}{number(x)} {number(y)}" for i, (x, y) in enumerate(points))
    return f"{data}Z" if close and data else data


def picture(
    label: str,
    *children: str,
    width: float,
    height: float,
    class_: str,
    size: tuple[str, str] | None = None,
    data: Mapping[str, str] | None = None,
) -> str:
    """A whole picture with its name for screen readers. size: width and height as CSS lengths, if they are fixed.

    data: what a script needs to read values from it, as attributes data-NAME.
    """
    wide, high = size or (None, None)
    return element(
        "svg",
        *children,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(width)} {number(height)}",
        width=wide,
        height=high,
        class_=class_,
        role="img",
        aria_label=label,
        **{f"data_{name}": value for name, value in (data or {}).items()},
    )
