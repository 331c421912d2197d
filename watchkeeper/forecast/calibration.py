"""The width of the 90 % range, adjusted by the record of earlier forecasts: adaptive conformal inference. Pure.

Gibbs and Candès 2021 (NeurIPS, "Adaptive Conformal Inference Under Distribution Shift", equation 2): the range is the
one for the error rate alpha, and alpha moves after each outcome to alpha + gamma (0.10 - err), where err is 1 if the
range missed and 0 if it held. Then the share of misses tends to 10 %, whatever the distribution is and however it
changes. Here err is the mean over the forecasts that one event decided, since they were wrong or right together; one
that was cut short counts by the probability of a miss under its own law. Alpha is bounded, so that the range stays
between half and five times as wide as the law says; the likely time is never changed.

Not here: how a forecast is scored (scoring.py), and keeping the record (alerting/forecast_record.py).
"""

import math
from collections.abc import Iterable
from dataclasses import replace

from watchkeeper.model.forecast import Forecast

TARGET = 0.10
"""The share of ranges that may miss."""
GAMMA = 0.01
"""How far one event moves alpha. A first miss widens the range by 5 %; the authors use 0.005 for thousands of
outcomes, and here there are dozens."""
LEAST, MOST = 0.005, 0.28
"""Alpha stays within these: the range is at most 4.8 times and at least half as wide as the law says, as a ratio
of times left."""


def updated(alpha: float, err: float) -> float:
    """Alpha after an event with this share of misses."""
    return min(max(alpha + GAMMA * (TARGET - err), LEAST), MOST)


def alpha_after(errs: Iterable[float]) -> float:
    """Alpha after these events, oldest first."""
    alpha = TARGET
    for err in errs:
        alpha = updated(alpha, err)
    return alpha


def width(alpha: float) -> float:
    """The width of the range for an error rate, in that of the law's 90 % range.

    By Student's t with two degrees of freedom, whose quantiles are known in closed form: tails heavier than the law's,
    since paces change suddenly.
    """
    return _t2(alpha) / _t2(TARGET)


def _t2(alpha: float) -> float:
    """What |t| exceeds with the probability alpha, for two degrees of freedom."""
    return (1 - alpha) * math.sqrt(2 / (alpha * (2 - alpha)))


def adjusted(found: Forecast, factor: float) -> Forecast:
    """The forecast with a range that is so many times as wide, as a ratio of times left. The likely time stays."""
    if factor == 1 or found.full or found.likely_s is None or found.earliest_s is None:
        return found
    left_s = found.likely_s - found.at_s
    if left_s <= 0:
        return found
    early = max(found.earliest_s - found.at_s, 0.0) / left_s
    earliest_s = found.at_s + left_s * min(early**factor, 1.0)
    if found.latest_s is None:
        return replace(found, earliest_s=earliest_s)
    late = max((found.latest_s - found.at_s) / left_s, 1.0)
    return replace(found, earliest_s=earliest_s, latest_s=found.at_s + left_s * late**factor)
