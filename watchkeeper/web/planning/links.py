"""Links from a subject to the planning questions about it."""

from urllib.parse import urlencode

from watchkeeper.planning.host_state import StoreKind


def links(subject: str) -> list[tuple[str, str]]:
    """The planning questions about a subject: the link and the text of each."""
    store = subject.startswith(tuple(f"{each.value} " for each in StoreKind))
    found = []
    if store or subject.startswith(("guest ", "service ")):
        found.append((f"preflight?{urlencode({'subject': subject})}", "Is it safe to change this now?"))
    if store:
        found.append((f"capacity?{urlencode({'store': subject})}", "Is there space on it for another guest?"))
        found.append((f"reclaim?{urlencode({'store': subject})}", "What would deleting its snapshots free?"))
    return found
