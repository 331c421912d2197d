"""What a check of a file can find. Standard library only: the program that reads files imports it."""

from enum import StrEnum


class Verdict(StrEnum):
    """The outcome of a check."""

    WHOLE = "whole"
    DAMAGED = "damaged"
    UNKNOWN = "cannot tell"
    CHANGED = "changed while it was read"


class DamageFound(Exception):
    """The file is not what its format requires. The text says what is wrong, without the name of the file."""


class NotCheckable(Exception):
    """Nothing can be said about the file; the text says why, with the remedy if there is one."""
