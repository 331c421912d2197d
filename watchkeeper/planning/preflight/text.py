"""The sentences of the answer whether a change is safe, written once for the terminal and the page.

Not here: layout, and the points' own reasons (decide.py, compare.py).
"""

from datetime import tzinfo

from watchkeeper.messages.wording import clean, instant
from watchkeeper.planning.preflight.decide import PreflightAnswer

CAUTION = "A forecast is an estimate. A snapshot on the same store is not a backup."


def verdict(answer: PreflightAnswer, zone: tzinfo) -> str:
    """The answer in one line."""
    subject, count = clean(answer.subject, 60), len(answer.hindrances)
    points = "1 point" if count == 1 else f"{count} points"
    if answer.since is not None:
        since = instant(answer.since, zone, answer.at)
        return f"{subject} is as before {since}." if answer.go else f"{subject} is not as before {since}: {points}."
    if answer.go:
        return f"Go: {subject} can be changed now{_unseen(len(answer.unseen))}."
    return f"No-go: {points} against changing {subject} now."


def _unseen(count: int) -> str:
    return f", except for what cannot be seen: {'1 thing' if count == 1 else f'{count} things'}" if count else ""


def against(answer: PreflightAnswer) -> str:
    """The heading of the points that are no-go."""
    return "Against the change" if answer.since is None else "Not as before"


def fine(answer: PreflightAnswer) -> str:
    """The heading of the points that are go."""
    return "OK" if answer.since is None else "As before"
