"""The palette: contrast on paper in light and dark, after WCAG 2.2; and no two priorities that look alike."""

import re
from itertools import combinations
from pathlib import Path

import pytest

import watchkeeper.web

CSS = (Path(watchkeeper.web.__file__).parent / "static" / "page.css").read_text()
Tokens = dict[str, str]


def tokens(block: str) -> Tokens:
    """The colour tokens in a part of the stylesheet."""
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6});", block))


LIGHT = tokens(CSS.partition("@media")[0])
DARK = LIGHT | tokens(CSS.partition("@media (prefers-color-scheme: dark)")[2].partition("* {")[0])
PRINT = LIGHT | tokens(CSS.partition("@media print")[2].partition("details")[0])
SCHEMES = {"light": LIGHT, "dark": DARK, "print": PRINT}


def linear(colour: str) -> tuple[float, ...]:
    """The linear red, green and blue of a colour (WCAG 2.2, relative luminance)."""
    digits = colour[1:] if len(colour) == 7 else "".join(c * 2 for c in colour[1:])
    parts = (int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4))
    return tuple(c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)


def contrast(one: str, other: str) -> float:
    """The contrast ratio of WCAG 2.2."""
    light, dark = sorted(
        (sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear(x), strict=True)) for x in (one, other)),
        reverse=True,
    )
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize(
    ("colour", "on_white", "on_black"),
    [("#e69f00", 2.25, 9.32), ("#0072b2", 5.19, 4.05), ("#d55e00", 3.87, 5.43), ("#cc79a7", 3.06, 6.86)],
)
def test_formula(colour: str, on_white: float, on_black: float) -> None:
    """The formula gives the ratios that are known for four colours of Okabe and Ito's palette."""
    assert contrast(colour, "#ffffff") == pytest.approx(on_white, abs=0.01)
    assert contrast(colour, "#000000") == pytest.approx(on_black, abs=0.01)


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("name", ["ink", "soft", "p1", "p2", "p3", "link"])
def test_text_can_be_read(scheme: str, name: str) -> None:
    """Every colour that text has reaches 4.5 on paper (success criterion 1.4.3)."""
    palette = SCHEMES[scheme]
    assert contrast(palette[name], palette["paper"]) >= 4.5


@pytest.mark.parametrize("scheme", SCHEMES)
def test_commands_can_be_read(scheme: str) -> None:
    """Commands stand in ink on a wash."""
    assert contrast(SCHEMES[scheme]["ink"], SCHEMES[scheme]["wash"]) >= 4.5


DEUTAN = ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881))
PROTAN = ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998))
"""How a dichromat sees linear colours: Machado, Oliveira and Fernandes (2009), severity 1; from memory."""


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("eye", [None, DEUTAN, PROTAN], ids=["usual", "deutan", "protan"])
def test_priorities_differ(scheme: str, eye: tuple[tuple[float, ...], ...] | None) -> None:
    """No two priorities fall together for an eye that does not tell red from green."""
    palette = SCHEMES[scheme]
    seen = []
    for name in ("p1", "p2", "p3"):
        colour = linear(palette[name])
        seen.append(
            colour if eye is None else tuple(sum(w * c for w, c in zip(row, colour, strict=True)) for row in eye)
        )
    for one, other in combinations(seen, 2):
        assert max(abs(a - b) for a, b in zip(one, other, strict=True)) > 0.1


def test_nothing_comes_from_elsewhere() -> None:
    """The stylesheet loads nothing: no font, picture or other sheet."""
    assert not re.search(r"url\(|@import|@font-face|https?:", CSS)
