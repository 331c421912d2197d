"""The JSON form of a preflight answer, for the command and the API."""

from watchkeeper.planning.preflight.decide import ReadyAnswer
from watchkeeper.web.api.json_forms import Json, stamp


def ready_form(answer: ReadyAnswer) -> Json:
    """`go`, and every point with its verdict and reason."""
    return {
        "subject": answer.subject,
        "at": stamp(answer.at),
        "since": None if answer.since is None else stamp(answer.since),
        "go": answer.go,
        "points": [
            {
                "matter": each.matter.value,
                "verdict": each.verdict.value,
                "about": each.about,
                "reason": each.reason,
                "may_pass": each.passes,
            }
            for each in answer.points
        ],
        "unseen": list(answer.unseen),
    }
