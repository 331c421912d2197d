"""The JSON form of a preflight answer, for the command and the API."""

from watchkeeper.planning.preflight.decide import PreflightAnswer
from watchkeeper.web.api.json_forms import Json, stamp


def preflight_form(answer: PreflightAnswer) -> Json:
    """`go`, and every check with its verdict and reason. changed_at: only after a change."""
    return {
        "subject": answer.subject,
        "at": stamp(answer.at),
        "changed_at": None if answer.since is None else stamp(answer.since),
        "go": answer.go,
        "checks": [
            {
                "name": each.matter.value,
                "verdict": each.verdict.value,
                "about": each.about,
                "reason": each.reason,
                "may_resolve": each.passes,
            }
            for each in answer.points
        ],
        "not_seen": list(answer.unseen),
    }
