"""The `sheet` table: what the operator writes for somebody who looks after the house for them."""

from typing import Annotated

from pydantic import AfterValidator, Field

from watchkeeper.config.fields import Strict

LONGEST = 300
MOST = 12


def _one_line(text: str) -> str:
    if not text.strip() or not text.isprintable() or len(text) > LONGEST:
        raise ValueError(f"must be one line of 1 to {LONGEST} characters")
    return text.strip()


Line = Annotated[str, AfterValidator(_one_line)]
"""A line for people."""


class SheetSettings(Strict):
    """What `watchkeeper sheet` prints beside what it sees. Write no passwords here: the sheet is read by others.

    contacts: whom to call, the first one first.
    notes: what somebody else has to know, such as where the key is.
    what_if: what happened, and what to do first.
    """

    contacts: tuple[Line, ...] = Field(default=(), max_length=MOST)
    notes: tuple[Line, ...] = Field(default=(), max_length=MOST)
    what_if: dict[Line, Line] = Field(default_factory=dict, max_length=MOST)
