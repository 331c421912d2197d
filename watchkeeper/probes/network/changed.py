"""A set of values of the host that should stay as it is: its addresses, its name servers. Pure.

A change is a fault for a day, so that it is reported once and can be looked up. Where it changes again and again (some
providers assign another prefix each night), that is usual, and only shown.
"""

from pydantic import BaseModel, ConfigDict

from watchkeeper.model.units import DAY_S

REPORTED_S = DAY_S

USUAL_CHANGES, USUAL_S = 3, 30 * DAY_S
"""So many changes in a month are usual: our own choice."""

_SHOWN = 4


class Changed(BaseModel):
    """now: the values; None if they were never seen. before: what they were before the last change.

    at_s: the last changes, in seconds since 1970, oldest first.
    """

    model_config = ConfigDict(frozen=True)

    now: tuple[str, ...] | None = None
    before: tuple[str, ...] = ()
    at_s: tuple[float, ...] = ()

    def with_values(self, values: tuple[str, ...], at_s: float) -> "Changed":
        """After another look. No values are an interruption, not a change: what was there before is kept."""
        if self.now is None or values == self.now or not (values and self.now):
            return self.model_copy(update={"now": values if self.now is None else self.now or values})
        kept = tuple(each for each in self.at_s if each > at_s - USUAL_S)[1 - USUAL_CHANGES :]
        back = values == self.before and kept and kept[-1] > at_s - REPORTED_S
        return Changed(now=values, before=self.now, at_s=kept[:-1] if back else (*kept, at_s))

    def reason(self, at_s: float) -> str:
        """What changed, while that is to be reported; empty otherwise."""
        recent = self.at_s and self.at_s[-1] > at_s - REPORTED_S
        if not recent or self.usual(at_s):
            return ""
        return f"changed from {listed(self.before)} to {listed(self.now or ())}"

    def usual(self, at_s: float) -> bool:
        """Whether it changes so often that a change is no news."""
        return len([each for each in self.at_s if each > at_s - USUAL_S]) >= USUAL_CHANGES


def listed(values: tuple[str, ...]) -> str:
    """The values in a sentence."""
    more = f" and {len(values) - _SHOWN} more" if len(values) > _SHOWN else ""
    return (", ".join(values[:_SHOWN]) or "none") + more
