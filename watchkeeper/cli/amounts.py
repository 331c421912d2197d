"""Parameter types for sizes, counts and growth rates in command options. Not here: what they mean."""

from dataclasses import dataclass

import click

from watchkeeper.model.units import parse_pace, parse_size


@dataclass(frozen=True, slots=True)
class Amount:
    """A size in bytes, or a count. more: it was written with a plus, as an amount to add to something."""

    value: int
    more: bool


class Size(click.ParamType[Amount]):
    """A size, such as 32GiB, or +16GiB if it is added to something."""

    name = "size"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Amount:
        """Parse it; it must be more than 0."""
        text = str(value).strip()
        try:
            size = parse_size(text.removeprefix("+"))
        except ValueError as error:
            self.fail(str(error), param, ctx)
        if size <= 0:
            self.fail(f"{text!r} is not larger than 0; write a size such as 32GiB", param, ctx)
        return Amount(size, text.startswith("+"))


class Count(click.ParamType[Amount]):
    """A count, such as 2, or +1 if it is added to something."""

    name = "count"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Amount:
        """Parse it; it must be at least 1."""
        text = str(value).strip()
        digits = text.removeprefix("+")
        if not (digits.isascii() and digits.isdecimal() and 0 < len(digits) <= MOST_DIGITS and int(digits) > 0):
            self.fail(f"{text!r} is not a count; write a whole number such as 2", param, ctx)
        return Amount(int(digits), text.startswith("+"))


MOST_DIGITS = 6


class Pace(click.ParamType[float]):
    """A growth rate in bytes per day, such as 1GiB/day."""

    name = "growth"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Parse a size and the time that it takes."""
        try:
            return parse_pace(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)
