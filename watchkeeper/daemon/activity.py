"""Reports what the daemon has done since its start, for the exposition of metrics (web/exposition)."""

from watchkeeper.model.records import DeliveryState
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.runtime.runner import Runner
from watchkeeper.runtime.scheduled_probe import ProbeWork
from watchkeeper.web.exposition.activity import Activity, ProbeActivity

# A failed attempt is repeated; a delivery that is given up is not.
RESULTS = {
    DeliveryState.DELIVERED: "delivered",
    DeliveryState.WAITING: "failed",
    DeliveryState.SET_ASIDE: "given up",
}


class DaemonActivity:
    """Implements web.exposition.activity.ActivitySource on a running daemon."""

    def __init__(self, runner: Runner, outbox: Outbox) -> None:
        self._runner, self._outbox = runner, outbox

    def activity(self) -> Activity:
        """The work of the probes and notifiers of the active configuration."""
        work = {label: self._runner.runs.get(label, ProbeWork()) for label in self._runner.all_probes}
        return Activity(
            tuple(ProbeActivity(label, w.runs, w.failures, w.took_s, w.ended_at) for label, w in work.items()),
            {
                (each.name, word): self._outbox.attempts[each.name, state]
                for each in self._outbox.notifiers
                for state, word in RESULTS.items()
            },
        )
