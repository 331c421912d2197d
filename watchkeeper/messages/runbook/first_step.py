"""What to look at first, for each concern and the quantities that probes bring: one or two concrete sentences.

Commands stand in backticks and are safe to paste: a name is quoted, and left out where it holds signs that no line
should hold. The sentences stand in remedies/, with all else that the manual says about such an alert. Not here:
durations and instants (messages/wording.py), and anything that looks at the host.
"""

from watchkeeper.messages.runbook.catalog import find_entry
from watchkeeper.messages.runbook.services import WRONG_ANSWER
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import Answer, Observation, SeriesKey


def what_to_look_at(concern: Concern, key: SeriesKey, seen: Observation | None) -> str:
    """One or two sentences that name the first thing to look at, with the command that shows it where there is one."""
    if concern is Concern.SILENT and isinstance(seen, Answer) and seen.took_s is not None:
        return WRONG_ANSWER
    return find_entry(concern, key).first_look(key)
