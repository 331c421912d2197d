"""Which alert a name on the command line means. Not here: what is done with it."""

import difflib
from collections.abc import Sequence

import click

from watchkeeper.messages.wording import clean, concern_words, state_words, thing
from watchkeeper.model.alert import Alert, State


def named(alerts: Sequence[Alert], name: str, *, every: bool) -> Sequence[Alert]:
    """The alerts whose subject is, or else contains, a name; several subjects only with `every`. Raises UsageError."""
    wanted = name.casefold()
    exact = [each for each in alerts if each.key.subject.casefold() == wanted]
    found = exact or [each for each in alerts if _fits(each, name)]
    subjects = list(dict.fromkeys(each.key.subject for each in found))
    if not found:
        raise click.UsageError(_unknown(alerts, name))
    if len(subjects) > 1 and not every:
        listed = ", ".join(clean(each, 60) for each in subjects)
        raise click.UsageError(f'"{clean(name, 60)}" means more than one: {listed}; write more of the name, or --all')
    return found


def acknowledged(alerts: Sequence[Alert], name: str) -> Sequence[Alert]:
    """The alerts that a name fits, if all of these are acknowledged already; else none."""
    open_or_done = [each for each in alerts if each.state is not State.NORMAL and _fits(each, name)]
    return open_or_done if all(each.state is State.ACKNOWLEDGED for each in open_or_done) else ()


def _fits(alert: Alert, name: str) -> bool:
    return name.casefold() in str(alert.key).casefold()


def _unknown(alerts: Sequence[Alert], name: str) -> str:
    subjects = list(dict.fromkeys(each.key.subject for each in alerts))
    if not subjects:
        return "there is no such alert: none is active"
    near = difflib.get_close_matches(name, subjects, n=1)
    hint = (
        f'did you mean "{clean(near[0], 60)}"?' if near else f"there are: {', '.join(clean(s, 60) for s in subjects)}"
    )
    return f'no alert is about "{clean(name, 60)}"; {hint}'


def line(alert: Alert) -> str:
    """An alert in one line: `pool skerry: full (warning), active`."""
    priority = f" ({alert.priority.word})" if alert.priority else ""
    return f"{thing(alert.key, 100)}: {concern_words(alert.concern)}{priority}, {state_words(alert.state)}"
