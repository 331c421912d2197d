"""The tree of the house for a terminal, with the words of the status page."""

from collections.abc import Iterator, Sequence

from watchkeeper.cli import output
from watchkeeper.messages.wording import thing
from watchkeeper.web.dashboard.active_alert import ActiveAlert
from watchkeeper.web.dashboard.house_state import Branch, Inside
from watchkeeper.web.events.event_text import event_subjects

MOST_FOLLOWING = 20
"""So many things that follow from an alert are named; the page and `--json` have all."""


def show(host: str, house: Inside) -> None:
    """Print what is inside the host, each thing below what it is inside of."""
    rows = list(_inside(house, 0))
    if rows:
        output.blank()
        output.heading(host)
        output.tree(rows)


def _inside(of: Inside, depth: int) -> Iterator[output.Leaf]:
    for each in of.shown:
        yield from _branch(each, depth)
    if of.fold:
        yield depth, of.fold, ""


def _branch(branch: Branch, depth: int) -> Iterator[output.Leaf]:
    line = branch.line
    yield depth, line.name, "; ".join(filter(None, (line.value, line.trend)))
    yield from _inside(branch.inside, depth + 1)


def following(event: ActiveAlert) -> Iterator[str]:
    """What follows from an alert, one line each: `guest hide-hub, and with it service hide-hub`."""
    found = event.consequences
    for each in found[:MOST_FOLLOWING]:
        beneath = event_subjects(each)
        yield f"{thing(each.alert.key, seen=each.observation)}{f', and with it {_some(beneath)}' if beneath else ''}"
    if len(found) > MOST_FOLLOWING:
        yield f"and {len(found) - MOST_FOLLOWING} more"


def _some(names: Sequence[str]) -> str:
    more = len(names) - MOST_FOLLOWING
    return f"{', '.join(names[:MOST_FOLLOWING])}{f' and {more} more' if more > 0 else ''}"
