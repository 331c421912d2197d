"""The table of alerts in the manual is made from the code: `python -m tests.test_alert_table` writes it again."""

import re
from pathlib import Path

from watchkeeper.model.alert import TABLE, Event, State

STATES = Path(__file__).parents[1] / "watchkeeper/manual/alert-states.md"
PLACE = re.compile(r"(<!-- alerts:begin[^>]*-->\n).*?(<!-- alerts:end -->)", re.DOTALL)


def cell(state: State, event: Event) -> str:
    """The next state, and what is told; empty where the pair does not happen."""
    if (state, event) not in TABLE:
        return ""
    after, telling = TABLE[state, event]
    return f"{after.value}, tells *{telling.value}*" if telling else after.value


def table() -> str:
    """One row for each event, one column for each state."""
    rows = [["event", *(state.value for state in State)], ["---"] * (len(State) + 1)]
    rows += [[event.value, *(cell(state, event) for state in State)] for event in Event]
    return "".join(f"| {' | '.join(row)} |\n" for row in rows)


def written_into(text: str) -> str:
    """The document with its table made again."""
    return PLACE.sub(lambda found: f"{found[1]}\n{table()}\n{found[2]}", text)


def test_the_table_in_the_document_is_the_one_in_the_code() -> None:
    """A transition that changes in the code changes in the document, or this fails."""
    text = STATES.read_text(encoding="utf-8")
    assert PLACE.search(text)
    assert text == written_into(text), "run: python -m tests.test_alert_table"


def test_every_state_and_event_of_the_table_is_shown() -> None:
    """Nothing of the table is left out of what is shown."""
    shown = table()
    assert sum(bool(cell(state, event)) for state in State for event in Event) == len(TABLE)
    assert all(f"| {event.value} |" in shown for event in Event)


if __name__ == "__main__":
    STATES.write_text(written_into(STATES.read_text(encoding="utf-8")), encoding="utf-8")
