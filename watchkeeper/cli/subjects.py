"""Which subject a name on the command line means. Not here: what is done with it."""

import difflib
from collections.abc import Callable, Collection, Iterable

import click

from watchkeeper.messages.wording import clean
from watchkeeper.model.observation import OWN_SUBJECT
from watchkeeper.store import Store

LISTED = 8
"""Subjects that are named in an error."""


DependentsOf = Callable[[str], Collection[str]]


def nothing(_subject: str) -> Collection[str]:
    """Nothing depends on it, as far as the caller knows."""
    return ()


async def subject_named(store: Store, name: str, dependents_of: DependentsOf = nothing) -> str:
    """The subject that is called so, or else the only one that contains the name. Raises UsageError.

    dependents_of: if several contain it, the one on which all others depend is meant.
    """
    keys = [*(each.key for each in await store.series()), *(each.key for each in await store.alerts())]
    return chosen(dict.fromkeys(each.subject for each in keys), name, dependents_of)


def chosen(subjects: Iterable[str], name: str, dependents_of: DependentsOf = nothing) -> str:
    """The one of these that a name means. Raises UsageError that says which there are."""
    every, wanted = list(subjects), name.casefold()
    exact = [each for each in every if each.casefold() == wanted]
    fitting = [each for each in every if wanted in each.casefold()]
    # A probe has the name of what it observes: that is what is meant.
    found = exact or [each for each in fitting if not each.startswith(OWN_SUBJECT)] or fitting
    if len(found) == 1:
        return found[0]
    for each in found:
        if {*found} <= {each, *dependents_of(each)}:
            return each
    if found:
        raise click.UsageError(f'"{clean(name, 60)}" means more than one: {_listed(found)}; write more of the name')
    near = difflib.get_close_matches(name, every, n=1)
    hint = f'did you mean "{clean(near[0], 60)}"?' if near else f"there are: {_listed(every) or 'none yet'}"
    raise click.UsageError(f'no subject is named "{clean(name, 60)}"; {hint}')


def _listed(subjects: list[str]) -> str:
    more = f" and {len(subjects) - LISTED} more" if len(subjects) > LISTED else ""
    return ", ".join(clean(each, 60) for each in subjects[:LISTED]) + more
