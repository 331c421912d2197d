"""What to look at first, for each concern and the quantities that probes report: one or two concrete sentences.

Commands are in backticks and safe to paste: a name is quoted, and left out if it holds unprintable characters. The
sentences are in this folder's entries, with everything else that the manual says about such an alert. Not here:
durations and instants (messages/wording.py), and anything that reads the host.
"""

from watchkeeper.messages.runbook.catalog import find_entry
from watchkeeper.messages.runbook.services import WRONG_ANSWER
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import Answer, Observation, SeriesKey


def what_to_look_at(concern: Concern, key: SeriesKey, seen: Observation | None) -> str:
    """One or two sentences that name the first thing to look at, with the command that shows it if there is one."""
    if concern is Concern.NOT_ANSWERING and isinstance(seen, Answer) and seen.took_s is not None:
        return WRONG_ANSWER
    return find_entry(concern, key).first_look(key)
