"""Draw the future of a store: its level now and in 30, 90 and 365 days, in two scenarios, as pairs of columns.

Solid: at the present growth rate. Hollow: every virtual disk fully written. The bar on a column ends at the level that
is exceeded with a probability of 5 %. Pure; the table beside the picture says the same as text.
"""

from collections.abc import Iterator, Sequence

from watchkeeper.messages.wording import clean
from watchkeeper.planning.capacity.answer import LevelNow, StoreAnswer
from watchkeeper.web.charts.charts import Size
from watchkeeper.web.charts.svg import element, picture, words
from watchkeeper.web.charts.ticks import labelled, size_ticks

NARROW = Size("narrow", 340, 230, 62, margin_top=8)
WIDE = Size("wide", 700, 270, 68, margin_top=8)
HEADROOM, MOST_ABOVE = 1.14, 1.45
"""How far the field reaches above the capacity: a little always, and further if a scenario exceeds it."""
COLUMN_SHARE, WIDEST = 0.26, 40.0
"""A column's width, as a share of its day's slot, and at most."""
APART = 5.0


def draw(store: StoreAnswer, size: Size) -> str:
    """The picture of a store."""
    field = _Field(store, size)
    return picture(
        f"{clean(store.key.subject)}: its level now and in 30, 90 and 365 days. The table below has the same values.",
        *field.axes(),
        *field.columns(store.growing, "grown", -1),
        *field.columns(store.written, "whole", 1),
        *field.lines(),
        width=size.width,
        height=size.height,
        class_=f"chart {size.name} futures",
    )


class _Field:
    """The field of one picture, and positions in it."""

    def __init__(self, store: StoreAnswer, size: Size) -> None:
        self._store, self._size = store, size
        self._wide, self._high = size.inner
        every = [*store.growing, *store.written]
        highest = max((each.high_bytes or each.level_bytes or 0.0 for each in every), default=0.0)
        capacity = max(store.capacity_bytes, store.capacity_before_bytes, 1)
        self._top = max(HEADROOM * capacity, min(1.04 * highest, MOST_ABOVE * capacity))
        self._step = self._wide / len(store.growing)
        self._column = min(COLUMN_SHARE * self._step, WIDEST)

    def _y(self, level: float) -> float:
        return self._size.margin_top + self._high * (1 - min(level, self._top) / self._top)

    def _middle(self, number: int) -> float:
        return self._size.margin_left + (number + 0.5) * self._step

    def axes(self) -> Iterator[str]:
        left, foot = self._size.margin_left, self._size.margin_top + self._high
        ticks = [each for each in size_ticks(0, self._top, 5) if each[0] <= self._top]
        for value, text in labelled(ticks, 16, lambda level: -self._y(level)):
            y = self._y(value)
            yield element("path", d=f"M{left:g} {y:.1f}h{self._wide:g}", class_="grid")
            yield words(text, left - 6, y + 4, text_anchor="end", class_="axis")
        yield element("path", d=f"M{left:g} {foot:.1f}h{self._wide:g}", class_="base")
        for number, each in enumerate(self._store.growing):
            label = "now" if each.day == 0 else f"{each.day} days"
            yield words(label, self._middle(number), foot + 18, text_anchor="middle", class_="axis")

    def columns(self, days: Sequence[LevelNow], class_: str, side: int) -> Iterator[str]:
        """One scenario: a column for each day. side: -1 left of the day's middle, 1 right of it."""
        for number, each in enumerate(days):
            middle = self._middle(number) + side * (self._column + APART) / 2
            if each.level_bytes is None:
                foot = self._size.margin_top + self._high
                yield words("?", middle, foot - 6, text_anchor="middle", class_="axis strong")
                continue
            yield from self._bar(middle, 0.0, each.level_bytes, class_)
            if each.level_bytes > self._store.capacity_bytes:
                yield from self._bar(middle, self._store.capacity_bytes, each.level_bytes, "over")
            yield from self._stem(middle, each.level_bytes, each.high_bytes or each.level_bytes)

    def _bar(self, middle: float, low: float, high: float, class_: str) -> Iterator[str]:
        top, foot = self._y(high), self._y(low)
        yield element(
            "rect", x=middle - self._column / 2, y=top, width=self._column, height=max(foot - top, 0.5), class_=class_
        )

    def _stem(self, middle: float, level: float, high: float) -> Iterator[str]:
        """Draw a bar from the likely level to the high one; beyond the field it ends in an arrow."""
        if high > self._top:
            start, end = self._y(min(level, 0.9 * self._top)), self._y(self._top)
            yield element("path", d=f"M{middle:.1f} {start:.1f}V{end:.1f}m-4.5 6l4.5 -6l4.5 6", class_="reach")
        elif self._y(level) - self._y(high) > 1:
            yield element("path", d=f"M{middle:.1f} {self._y(level):.1f}V{self._y(high):.1f}m-5 0h10", class_="reach")

    def lines(self) -> Iterator[str]:
        """Draw the capacity and today's level."""
        left, store = self._size.margin_left, self._store
        full = self._y(store.capacity_bytes)
        yield element("path", d=f"M{left:g} {full:.1f}h{self._wide:g}", class_="ceiling")
        yield words("full", left + 4, full - 6, class_="axis strong")
        if store.capacity_before_bytes != store.capacity_bytes:
            before = self._y(store.capacity_before_bytes)
            yield element("path", d=f"M{left:g} {before:.1f}h{self._wide:g}", class_="before")
            yield words("full today", left + 4, before - 5, class_="axis strong")
        today = self._y(store.used_bytes)
        yield element("path", d=f"M{left:g} {today:.1f}h{self._wide:g}", class_="today")
