"""The JSON form of a preflight answer, for the command and the API."""

from watchkeeper.planning.preflight.decide import PreflightAnswer
from watchkeeper.web.api.json_forms import stamp
from watchkeeper.web.planning import response_types as forms


def preflight_form(answer: PreflightAnswer) -> forms.PreflightAnswer:
    """`go`, and every check with its verdict and reason. changed_at: only after a change."""
    return {
        "subject": answer.subject,
        "at": stamp(answer.at),
        "changed_at": None if answer.since is None else stamp(answer.since),
        "go": answer.go,
        "checks": [
            {
                "name": each.matter,
                "verdict": each.verdict,
                "about": each.about,
                "reason": each.reason,
                "may_resolve": each.passes,
            }
            for each in answer.points
        ],
        "not_seen": list(answer.unseen),
    }
